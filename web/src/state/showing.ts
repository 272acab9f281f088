import { computed, effect, signal } from "@preact/signals";
import type { Group, PartInfo, Presence, Specimen, Tooth, View } from "../types";
import { POSES, type Pose } from "../stage/camera";
import { chosenFinding, findingsById } from "./desk";

/** What is solid, veiled or absent, and how far parts are lifted. */

export type GroupKey = Exclude<Group, "bone">;
export const DEFAULT_GROUPS: Readonly<Record<GroupKey, Presence>> = {
  tooth: "solid", crypt_crown: "solid", enamel: "solid", cavity: "absent", opening: "absent", ossicle: "solid", fragment: "solid", foreign: "veiled",
};

/** Bone from whole (1) to gone (0). */
export const boneVeil = signal(1);
export const groups = signal<Readonly<Record<GroupKey, Presence>>>(DEFAULT_GROUPS);
/** By part, over what its group says. */
export const own = signal<Readonly<Record<number, Presence>>>({});
export const lift = signal(0);
/** The pose last taken by name: some set parts aside. */
export const posed = signal<Pose | null>(null);
export const colouring = signal<"generation" | "class" | "confidence">("generation");
/** The clip plane: how deep from the eye, 0 (none) to 1. */
export const clipDepth = signal(0);
export const drawing = signal<"surfaces" | "scan">("surfaces");
export type Leaf = "parts" | "slice" | "measure" | "history" | "beside" | "characters" | "lesson" | "talk" | null;
export const leaf = signal<Leaf>(null);

/** The view of the chosen finding, while it holds; turning and veiling by hand let go of it. */
export const evidence = signal<View | null>(null);

effect(() => {
  if (chosenFinding.value === null) evidence.value = null;
});

export function showEvidence(id: string): View | null {
  const view = findingsById.value.get(id)?.evidence.view ?? null;
  evidence.value = view;
  return view;
}

/** Bone is drawn whole from here on, and not at all below the other; between, its opacity is the veil. */
export const isWhole = (veil: number): boolean => veil > 0.97;
export const isGone = (veil: number): boolean => veil < 0.03;

function setAside(pose: Pose | null, part: PartInfo, tooth: Tooth | undefined): boolean {
  const without = pose?.without;
  if (without === undefined) return false;
  const jaw = tooth?.jaw ?? part.jaw ?? (/dentary|mandib/.test(part.term ?? part.name) ? "lower" : "upper");
  if (without === "lower") return jaw === "lower";
  if (without === "upper") return jaw === "upper";
  const side = without === "but_left_dentary" ? "left" : "right";
  return jaw === "upper" || (part.side ?? tooth?.side ?? side) !== side;
}

/** The presence of a part (`mine` is what was said of single parts), and of the enamel of a tooth. */
export function presenceOf(part: PartInfo, tooth: Tooth | undefined, enamel: boolean, view: View | null, veil: number, mine: Readonly<Record<string, Presence>>): Presence {
  const body = presenceOfBody(part, tooth, view, veil, mine[part.part]);
  if (!enamel) return body;
  const alone = groups.value.tooth === "absent" && groups.value.crypt_crown === "absent" && mine[part.part] === undefined && view === null;
  if (alone) return setAside(posed.value, part, tooth) ? "absent" : groups.value.enamel;
  return body === "solid" ? groups.value.enamel : "absent";
}

function presenceOfBody(part: PartInfo, tooth: Tooth | undefined, view: View | null, veil: number, mine: Presence | undefined): Presence {
  if (mine !== undefined) return mine;
  if (view !== null) {
    const said = view.presence[String(part.part)];
    if (said !== undefined) return said;
    if (part.group !== "bone") {
      const group = groups.value[part.group];
      return group === "absent" ? "absent" : view.others === "solid" ? group : view.others;
    }
    return view.others === "solid" ? bonePresence(veil) : view.others;
  }
  if (setAside(posed.value, part, tooth)) return "absent";
  return part.group === "bone" ? bonePresence(veil) : groups.value[part.group];
}

function bonePresence(veil: number): Presence {
  return isWhole(veil) ? "solid" : isGone(veil) ? "absent" : "veiled";
}

/** How dense a veil is: bone by its control, all else by convention. */
export function veilOf(part: PartInfo, view: View | null, veil: number): number {
  if (part.group !== "bone") return 0.5;
  return view !== null && (isWhole(veil) || isGone(veil)) ? 0.34 : veil;
}

/** A finding's view may lift as well. */
export const liftNow = computed(() => Math.max(lift.value, evidence.value?.lift_mm ?? 0));

export function setGroup(group: GroupKey, presence: Presence, specimen: Specimen | null): void {
  groups.value = { ...groups.value, [group]: presence };
  const kept = { ...own.value };
  for (const part of specimen?.parts ?? []) if (part.group === group) delete kept[part.part];
  own.value = kept;
  evidence.value = null;
}

export function setOwn(parts: readonly number[], presence: Presence | null): void {
  const next = { ...own.value };
  for (const part of parts) {
    if (presence === null) delete next[part];
    else next[part] = presence;
  }
  own.value = next;
}

export function poseByKey(key: string): Pose | undefined {
  return POSES.find((pose) => pose.key === key);
}

/** Everything as it was when the specimen was laid out. */
export function layOutAnew(): void {
  boneVeil.value = 1;
  groups.value = DEFAULT_GROUPS;
  own.value = {};
  lift.value = 0;
  posed.value = null;
  clipDepth.value = 0;
  evidence.value = null;
}
