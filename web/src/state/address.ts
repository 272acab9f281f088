import { effect } from "@preact/signals";
import { Vector3 } from "three";
import type { Presence } from "../types";
import type { Eye } from "../stage/camera";
import type { Stage } from "../stage/stage";
import { chosenFinding, chosenParts, intakeOpen, onStage } from "./desk";
import { eyeMoved, parallel, stage } from "./eye";
import { boneVeil, clipDepth, colouring, DEFAULT_GROUPS, drawing, evidence, type GroupKey, groups, leaf, type Leaf, lift, own, poseByKey, posed } from "./showing";
import { rowsAs, sliceKey } from "./slicing";
import { chosenCharacter } from "./characters";
import { across, against, chosenDifference, fitted, laid, LAID, ownVeils } from "./beside";

/**
 * What is on the page, in its address: `#/12+13?finding=...&parts=31,12&bone=0.3&...`. A link opens the same view on
 * the same collection. Left out is what stands as it stands when a specimen is laid out.
 */
const LETTER: Record<Presence, string> = { solid: "s", veiled: "v", absent: "a" };
const PRESENCE: Record<string, Presence> = { s: "solid", v: "veiled", a: "absent" };
const GROUP_KEYS = Object.keys(DEFAULT_GROUPS) as GroupKey[];

let eyeToCome: Eye | null = null;

/** Puts the eye of the address, if it has one, to the stage; returns whether it had. */
export function arrived(on: Stage): boolean {
  if (eyeToCome === null) return false;
  on.goTo(eyeToCome, true);
  eyeToCome = null;
  return true;
}

const few = (v: Vector3, digits: number): string => v.toArray().map((x) => Number(x.toFixed(digits))).join(",");

export function written(): string {
  if (intakeOpen.value) return "#/intake";
  const ids = onStage.value;
  if (ids.length === 0) return "#/";
  const q = new URLSearchParams();
  const on = stage.value;
  if (chosenFinding.value !== null) q.set("finding", chosenFinding.value);
  if (chosenParts.value.length > 0) q.set("parts", chosenParts.value.join(","));
  if (evidence.value !== null) q.set("evidence", "1");
  if (boneVeil.value !== 1) q.set("bone", boneVeil.value.toFixed(2));
  const changed = GROUP_KEYS.filter((k) => groups.value[k] !== DEFAULT_GROUPS[k]).map((k) => `${k}:${LETTER[groups.value[k]]}`);
  if (changed.length > 0) q.set("groups", changed.join(","));
  const mine = Object.entries(own.value).map(([part, p]) => `${part}:${LETTER[p]}`);
  if (mine.length > 0) q.set("own", mine.join(","));
  if (lift.value > 0) q.set("lift", lift.value.toFixed(1));
  if (clipDepth.value > 0) q.set("clip", clipDepth.value.toFixed(2));
  if (posed.value?.without !== undefined) q.set("pose", posed.value.key);
  if (colouring.value !== "generation") q.set("colour", colouring.value);
  if (drawing.value !== "surfaces") q.set("drawing", drawing.value);
  if (leaf.value !== null) q.set("leaf", leaf.value);
  if (chosenCharacter.value !== null) q.set("character", chosenCharacter.value);
  if (sliceKey.value !== null) q.set("slice", sliceKey.value);
  if (rowsAs.value !== "drawn") q.set("rows", rowsAs.value);
  if (!parallel.value) q.set("perspective", "1");
  if (ids.length > 1) {
    if (laid.value !== "pose") q.set("laid", fitted.value ? `${laid.value},fitted` : laid.value);
    if (across.value) q.set("across", "1");
    if (against.value !== null && against.value !== ids[1]) q.set("against", against.value);
    if (chosenDifference.value !== null) q.set("difference", chosenDifference.value);
    const veils = Object.entries(ownVeils.value).map(([id, v]) => `${id}:${v.toFixed(2)}`);
    if (veils.length > 0) q.set("veils", veils.join(","));
  }
  if (on !== null && on.skulls.length > 0) {
    const eye = on.aim;
    q.set("eye", `${few(eye.look, 3)};${few(eye.up, 3)};${few(eye.centre, 2)};${eye.extent.toFixed(2)}`);
  }
  const text = q.toString().replaceAll("%2C", ",").replaceAll("%3A", ":").replaceAll("%3B", ";").replaceAll("%2F", "/");
  return `#/${ids.map(encodeURIComponent).join("+")}${text === "" ? "" : `?${text}`}`;
}

/** Lays the page out as the address says. */
export function readAddress(): void {
  const [path = "", query = ""] = location.hash.replace(/^#\/?/, "").split("?");
  const q = new URLSearchParams(query);
  intakeOpen.value = path === "intake";
  const ids = path === "" || path === "intake" ? [] : path.split("+").map(decodeURIComponent).slice(0, 6);
  const eye = (q.get("eye") ?? "").split(";").map((part) => part.split(",").map(Number));
  const flat = eye.flat();
  parallel.value = q.get("perspective") !== "1";
  eyeToCome =
    flat.length === 10 && flat.every(Number.isFinite)
      ? {
          look: new Vector3(flat[0], flat[1], flat[2]).normalize(),
          up: new Vector3(flat[3], flat[4], flat[5]).normalize(),
          centre: new Vector3(flat[6], flat[7], flat[8]),
          extent: Math.max(0.2, flat[9] as number),
          parallel: parallel.value,
        }
      : null;
  boneVeil.value = q.has("bone") ? Math.min(1, Math.max(0, Number(q.get("bone")) || 0)) : 1;
  groups.value = { ...DEFAULT_GROUPS, ...pairs(q.get("groups"), (key) => GROUP_KEYS.includes(key as GroupKey)) };
  own.value = pairs(q.get("own"), (key) => /^\d+$/.test(key));
  lift.value = Math.max(0, Number(q.get("lift")) || 0);
  clipDepth.value = Math.min(1, Math.max(0, Number(q.get("clip")) || 0));
  posed.value = poseByKey(q.get("pose") ?? "") ?? null;
  colouring.value = oneOf(q.get("colour"), ["class", "confidence"]) ?? "generation";
  drawing.value = oneOf(q.get("drawing"), ["scan"]) ?? "surfaces";
  leaf.value = oneOf<NonNullable<Leaf>>(q.get("leaf"), ["parts", "slice", "measure", "history", "beside", "characters", "lesson", "talk"]) ?? null;
  sliceKey.value = q.get("slice");
  rowsAs.value = oneOf(q.get("rows"), ["unrolled"]) ?? "drawn";
  const [way = "", size] = (q.get("laid") ?? "").split(",");
  laid.value = oneOf(way, LAID) ?? "pose";
  fitted.value = size === "fitted";
  across.value = q.get("across") === "1";
  against.value = q.get("against");
  const veils = (q.get("veils") ?? "").split(",").map((pair) => pair.split(":")).filter(([id, v]) => /^\d+$/.test(id ?? "") && Number.isFinite(Number(v)));
  ownVeils.value = Object.fromEntries(veils.map(([id, v]) => [id as string, Math.min(1, Math.max(0, Number(v)))]));
  chosenFinding.value = q.get("finding");
  chosenCharacter.value = q.get("character");
  chosenDifference.value = q.get("difference");
  chosenParts.value = (q.get("parts") ?? "").split(",").map(Number).filter((n) => Number.isInteger(n) && n > 0);
  evidenceWanted = q.get("evidence") === "1";
  if (ids.join("+") !== onStage.value.join("+")) onStage.value = ids;
  else if (eyeToCome !== null && stage.value !== null) arrived(stage.value);
}

/** Whether the address asks for the chosen finding's own view of parts; it is taken when the account has come. */
export let evidenceWanted = false;
export function evidenceTaken(): void {
  evidenceWanted = false;
}

function oneOf<T extends string>(value: string | null, choices: readonly T[]): T | undefined {
  return choices.find((choice) => choice === value);
}

function pairs(text: string | null, known: (key: string) => boolean): Record<string, Presence> {
  const out: Record<string, Presence> = {};
  for (const pair of (text ?? "").split(",")) {
    const [key = "", letter = ""] = pair.split(":");
    const presence = PRESENCE[letter];
    if (presence !== undefined && known(key)) out[key] = presence;
  }
  return out;
}

/** Keeps the address in step; a change of specimens makes an entry in the browser's history. */
export function keepAddress(): void {
  let standing = onStage.value.join("+");
  let intake = intakeOpen.value;
  let timer = 0;
  let last = -1000;
  const write = (push: boolean): void => {
    const hash = written();
    last = performance.now();
    if (hash === location.hash || (hash === "#/" && location.hash === "")) return;
    if (push) history.pushState(null, "", hash);
    else history.replaceState(null, "", hash);
  };
  effect(() => {
    eyeMoved.value;
    written();
    const now = onStage.value.join("+");
    const push = now !== standing || intakeOpen.value !== intake;
    standing = now;
    intake = intakeOpen.value;
    window.clearTimeout(timer);
    // At once, so that a page that dies is opened again as it was; but not at every step of a movement.
    const since = performance.now() - last;
    if (push || since > 200) write(push);
    else timer = window.setTimeout(() => write(false), 200 - since);
  });
  window.addEventListener("pagehide", () => write(false));
  window.addEventListener("popstate", readAddress);
}
