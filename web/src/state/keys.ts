import { effect, signal } from "@preact/signals";
import { agree, chooseFinding, goOn, nextFilter, saying, startSaying } from "../account/acts";
import { POSES } from "../stage/camera";
import { chosenFinding, chosenPart, chosenParts, leadId, redo, undo } from "./desk";
import { centreOn, goToPose, parallel, setParallel, showWhole, stage } from "./eye";
import { letGoOfPointing, pointing } from "./pointing";
import { boneVeil, clipDepth, evidence, leaf, type Leaf, lift, own, setOwn } from "./showing";
import { charactersHaveKeys, chooseCharacter, chosenCharacter, confirmCharacter, nextCharacter, scoring, startScoring } from "./characters";
import { lead } from "./desk";
import { chosenDifference, setVeil, veilFor } from "./beside";
import { toothForm } from "../rows/toothacts";
import { keysOpen } from "./keysheet";
import { keepView } from "../lesson/steps";
import { rowActs } from "./rowacts";

/** Keys of the desk: letters act anywhere but in a field; arrows belong to the place that has the focus. */
export const lettersOn = signal(localStorage.getItem("ossicle-letters") !== "off");
effect(() => localStorage.setItem("ossicle-letters", lettersOn.value ? "on" : "off"));

export const SHEET: readonly (readonly [string, readonly (readonly [string, string])[]])[] = [
  ["Account", [
    ["↓ ↑", "next sentence, the one before"], ["n N", "next that awaits a decision, the one before"], ["a", "agree, and go on"], ["m", "amend"],
    ["d", "dispute"], ["e", "show the evidence again"], ["f", "show other findings"], ["u U", "undo, do again"],
  ]],
  ["Stage", [
    ["← → ↑ ↓", "turn; with Shift, shift"], ["+ −", "nearer, farther"], ["1 … 0", "views in their order"], ["w", "the whole"], ["z", "near to what is chosen"],
    ["[ ]", "bone less, more"], ["v", "chosen part solid, veiled, absent"], ["l L", "lift, lower"], ["c C", "cut away deeper, less"], ["o", "perspective"],
    ["s k p h y b", "slice, measures, each part, decisions, characters, side by side"], ["t T", "lesson, talk"], ["V", "keep this view"],
  ]],
  ["Rows", [
    ["← →", "tooth before, next"], ["↑ ↓", "row above, below; successor"], ["r", "rename"], ["g", "generation"], ["j", "join the chosen"], ["x", "cut by a stroke"],
    ["i", "add a missed tooth"], ["Delete", "discard"], ["q", "drawn or unrolled"],
  ]],
  ["Page", [["F6", "next place"], ["?", "these keys"], ["Esc", "let go, step by step"]]],
];

const LEAVES: Record<string, NonNullable<Leaf>> = { s: "slice", k: "measure", p: "parts", h: "history", y: "characters", b: "beside", t: "lesson", T: "talk" };

export function listenToKeys(): void {
  window.addEventListener("keydown", onKey);
}

function onKey(event: KeyboardEvent): void {
  if (event.defaultPrevented || event.altKey) return;
  const target = event.target as HTMLElement;
  const writing = target.matches("textarea, select, input:not([type=radio], [type=range], [type=checkbox])");
  if (event.key === "F6") {
    event.preventDefault();
    nextPlace(target);
    return;
  }
  if (document.querySelector("dialog[open]")) return;
  if (event.key === "Escape") {
    letGo();
    return;
  }
  if (writing) return;
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
    event.preventDefault();
    void (event.shiftKey ? redo() : undo());
    return;
  }
  if (event.ctrlKey || event.metaKey || saying.value !== null || scoring.value || toothForm.value !== null) return;
  if (onStageKey(event, target) || (leadId.value !== null && lettersOn.value && onLetter(event.key)) || (event.key === "?" && openKeys())) event.preventDefault();
}

function openKeys(): boolean {
  keysOpen.value = true;
  return true;
}

function nextPlace(from: HTMLElement): void {
  const places = [...document.querySelectorAll<HTMLElement>("[data-place]")];
  const at = places.findIndex((p) => p.contains(from));
  const next = places[(at + 1) % Math.max(1, places.length)];
  const into = next?.querySelector<HTMLElement>(".sentence[tabindex='0']") ?? next?.querySelector<HTMLElement>("canvas, .slot[tabindex='0'], button, a, input");
  into?.focus();
}

const STEP = Math.PI / 24;

function onStageKey(event: KeyboardEvent, target: HTMLElement): boolean {
  const on = stage.value;
  if (on === null || !target.matches(".stage-canvas")) return false;
  const arrows: Record<string, [number, number]> = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  const arrow = arrows[event.key];
  if (arrow) {
    if (event.shiftKey) on.shiftBy(arrow[0] * 24, arrow[1] * 24);
    else on.turnBy(arrow[0] * STEP, arrow[1] * STEP);
    return true;
  }
  if (event.key === "+" || event.key === "=") on.nearer(0.85);
  else if (event.key === "-" || event.key === "−") on.nearer(1 / 0.85);
  else return false;
  return true;
}

const bounded = (value: number, most: number): number => Math.min(most, Math.max(0, Number(value.toFixed(3))));

const LETTERS: Record<string, () => void> = {
  n: () => (charactersHaveKeys() ? nextCharacter(1, true) : goOn(1, true)),
  N: () => (charactersHaveKeys() ? nextCharacter(-1, true) : goOn(-1, true)),
  a: () => void (charactersHaveKeys() ? confirmCharacter() : agree()),
  m: () => (charactersHaveKeys() ? startScoring() : startSaying("amend")),
  d: () => startSaying("dispute"),
  e: () => {
    if (charactersHaveKeys()) chooseCharacter(chosenCharacter.value);
    else if (chosenFinding.value !== null) chooseFinding(chosenFinding.value);
  },
  f: nextFilter,
  u: () => void undo(),
  U: () => void redo(),
  w: showWhole,
  z: () => centreOn((lead.value?.parts ?? []).filter((p) => chosenParts.value.includes(p.part)), true),
  "[": () => veilBone(-0.1),
  "]": () => veilBone(0.1),
  v: cyclePresence,
  l: () => (lift.value = bounded(lift.value + 1, 12)),
  L: () => (lift.value = bounded(lift.value - 1, 12)),
  c: () => (clipDepth.value = bounded(clipDepth.value + 0.05, 1)),
  C: () => (clipDepth.value = bounded(clipDepth.value - 0.05, 1)),
  o: () => setParallel(!parallel.value),
  V: () => void keepView(),
};

function onLetter(key: string): boolean {
  const pose = /^[0-9]$/.test(key) ? POSES[(Number(key) + 9) % 10] : undefined;
  const opens = LEAVES[key];
  const act = LETTERS[key] ?? rowActs[key];
  if (pose) goToPose(pose);
  else if (opens) leaf.value = leaf.value === opens ? null : opens;
  else if (act) act();
  else return false;
  return true;
}

function veilBone(by: number): void {
  evidence.value = null;
  setVeil(leadId.value, bounded((leadId.value === null ? boneVeil.value : veilFor(leadId.value)) + by, 1));
}

function cyclePresence(): void {
  const part = chosenPart.value;
  if (part === null) return;
  const now = own.value[part] ?? "solid";
  setOwn(chosenParts.value, now === "solid" ? "veiled" : now === "veiled" ? "absent" : "solid");
}

/** Lets go of one thing at a time: what is being pointed at, what is being said, the part, the finding, the leaf. */
function letGo(): void {
  if (pointing.value !== null) letGoOfPointing();
  else if (saying.value !== null) saying.value = null;
  else if (toothForm.value !== null) toothForm.value = null;
  else if (scoring.value) scoring.value = false;
  else if (chosenDifference.value !== null) chosenDifference.value = null;
  else if (chosenParts.value.length > 0) chosenParts.value = [];
  else if (chosenFinding.value !== null) chosenFinding.value = null;
  else if (chosenCharacter.value !== null) chooseCharacter(null);
  else if (leaf.value !== null) leaf.value = null;
}
