import { signal } from "@preact/signals";
import { Vector3 } from "three";
import { chosenPart, chosenParts, decide, partsByNumber, say, teethByPart } from "../state/desk";
import { atOnce } from "../state/atonce";
import { stage } from "../state/eye";
import { letGoOfPointing, pointing, strokeDrawn } from "../state/pointing";
import { refusesDeciding } from "../state/role";
import { rowActs } from "../state/rowacts";
import { rowsAs } from "../state/slicing";
import { liftNow } from "../state/showing";
import type { Vec3 } from "../types";

/** Acts on teeth: forms beside the rows, strokes and points on the stage. */
export type ToothFormKind = "rename" | "generation" | "join" | "discard" | "cut" | "add";
export interface ToothFormState {
  kind: ToothFormKind;
  /** Skull mm: the stroke of a cut, or the one point of an addition. */
  points: readonly Vec3[];
  view: Vec3 | null;
}
export const toothForm = signal<ToothFormState | null>(null);

export function openForm(kind: ToothFormKind, points: readonly Vec3[] = [], view: Vec3 | null = null): void {
  if (refusesDeciding()) return;
  const teeth = chosenParts.value.filter((p) => partsByNumber.value.get(p)?.kind === "tooth");
  if (kind === "join" && teeth.length < 2) return say("Choose two or more pieces first, with Shift");
  if ((kind === "rename" || kind === "generation") && !teethByPart.value.has(chosenPart.value ?? -1)) return say("Choose a tooth first");
  if (kind === "discard" && teeth.length !== 1) return say("Choose one tooth first");
  atOnce(() => (toothForm.value = { kind, points, view }));
  const field = document.querySelector<HTMLInputElement>(".tooth-form input:not([type=checkbox])");
  field?.focus();
  if (kind === "rename") field?.select();
}

export function closeForm(): void {
  toothForm.value = null;
}

/** A stroke across the chosen tooth, drawn on the stage as one looks at it. */
export function startCutting(): void {
  if (refusesDeciding()) return;
  const part = chosenPart.value;
  const on = stage.value;
  const info = partsByNumber.value.get(part ?? -1);
  if (on === null || info?.kind !== "tooth") return say("Choose the tooth to cut first");
  pointing.value = {
    kind: "stroke",
    said: "Draw a stroke across it where the teeth part",
    draw: (points) => {
      const last = points.at(-1);
      const done = last !== undefined && Number.isNaN(last[0]);
      const drawn = points.filter(([x]) => !Number.isNaN(x));
      strokeDrawn.value = [...drawn];
      if (!done) return;
      const line = thinned(drawn).map((at) => onPart(at, info.centroid_skull_mm, info.lift));
      const { look } = on.eye;
      letGoOfPointing();
      if (line.length < 2) return say("The stroke was too short");
      openForm("cut", line, [look.x, look.y, look.z]);
    },
  };
}

function thinned(points: readonly [number, number][]): [number, number][] {
  const out: [number, number][] = [];
  for (const p of points) {
    const last = out.at(-1);
    if (last === undefined || Math.hypot(p[0] - last[0], p[1] - last[1]) > 6) out.push(p);
  }
  return out;
}

/** The point of the line of sight at a part's depth, skull mm, its lift taken back. */
function onPart([x, y]: [number, number], centre: Vec3, lift: Vec3): Vec3 {
  const on = stage.value;
  if (on === null) return centre;
  const mm = liftNow.value;
  const at = new Vector3(centre[0] + lift[0] * mm, centre[1] + lift[1] * mm, centre[2] + lift[2] * mm);
  const offset = on.skulls[0]?.offset ?? new Vector3();
  const sight = on.sight(x, y);
  const t = at.clone().add(offset).sub(sight.origin).dot(on.eye.look) / sight.direction.dot(on.eye.look);
  const p = sight.origin.clone().addScaledVector(sight.direction, t).sub(offset);
  return [p.x - lift[0] * mm, p.y - lift[1] * mm, p.z - lift[2] * mm];
}

export function startAdding(): void {
  if (refusesDeciding()) return;
  pointing.value = {
    kind: "point",
    said: "Point at the missed tooth, on the stage or in the slice",
    take: (hit) => {
      letGoOfPointing();
      openForm("add", [hit.point]);
    },
  };
}

const round = (p: Vec3): Vec3 => [Number(p[0].toFixed(3)), Number(p[1].toFixed(3)), Number(p[2].toFixed(3))];

/** Says what the form holds. `choice` is a locus or a generation. */
export async function keepForm(choice: string, row: boolean, why: string): Promise<void> {
  const form = toothForm.value;
  const part = chosenPart.value;
  if (form === null) return;
  const reason = why.trim() === "" ? {} : { why: why.trim() };
  let kept = false;
  if (form.kind === "rename") kept = await decide({ kind: "rename", part, locus: choice, row, ...reason }, `Renamed to ${choice}`);
  else if (form.kind === "generation") kept = await decide({ kind: "generation", part, generation: choice, ...reason }, `Now ${choice}`);
  else if (form.kind === "join") kept = await decide({ kind: "join", parts: chosenParts.value, ...reason }, "Joined");
  else if (form.kind === "discard") kept = await decide({ kind: "discard", part, ...reason }, "Discarded: no tooth");
  else if (form.kind === "cut") kept = await decide({ kind: "cut", part, frame: "skull", stroke: form.points.map(round), view: form.view, ...reason }, "Cut");
  else kept = await decide({ kind: "add", frame: "skull", point: round(form.points[0] ?? [0, 0, 0]), ...reason }, "Added");
  if (!kept) return;
  closeForm();
  if (form.kind !== "rename" && form.kind !== "generation") chosenParts.value = chosenParts.value.filter((p) => partsByNumber.value.has(p)).slice(0, 1);
}

Object.assign(rowActs, {
  r: () => openForm("rename"),
  g: () => openForm("generation"),
  j: () => openForm("join"),
  x: startCutting,
  i: startAdding,
  Delete: () => openForm("discard"),
  q: () => (rowsAs.value = rowsAs.value === "drawn" ? "unrolled" : "drawn"),
});
