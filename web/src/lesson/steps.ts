import { signal } from "@preact/signals";
import { Vector3 } from "three";
import { ask, type DeskError, get, post } from "../api";
import { readAddress, written } from "../state/address";
import { chosenFinding, findingsById, lead, leadId, person, say, tellError } from "../state/desk";
import { stage } from "../state/eye";
import { clipDepth, leaf, posed } from "../state/showing";
import { type Scene, sceneNow } from "./scene";

/** The steps of the leading specimen's lesson: views kept from the stage, with what is said to them. */
export interface Step {
  id: string;
  title: string;
  narration: string;
  notes: string;
  travel: boolean;
  who: string;
  at: string;
  address: string;
  scene: Scene;
}

interface Told {
  version: number;
  steps: Step[];
}

export const steps = signal<readonly Step[] | null>(null);
export const chosenStep = signal<string | null>(null);
/** Whether the lesson is being rehearsed: one step at a time, with its narration alone. */
export const rehearsing = signal(false);
let version = 0;
let of = "";

const path = (): string => `/specimens/${encodeURIComponent(of)}/steps`;

function take(told: Told): void {
  version = told.version;
  steps.value = told.steps;
}

export async function loadSteps(id: string): Promise<void> {
  if (of !== id) {
    steps.value = null;
    chosenStep.value = null;
    rehearsing.value = false;
  }
  of = id;
  const told = await get<Told>(path());
  if (of === id) take(told);
}

async function change(work: () => Promise<Told>, said: string): Promise<boolean> {
  try {
    take(await work());
    if (said !== "") say(said);
    return true;
  } catch (error) {
    tellError(error);
    if ((error as DeskError).status === 409) await loadSteps(of).catch(tellError);
    return false;
  }
}

const sent = (body: object, to = ""): Promise<Told> => post<Told>(`${path()}${to}`, { expected: version, who: person.value.trim() || null, ...body });

function titleNow(): string {
  const found = findingsById.value.get(chosenFinding.value ?? "");
  const plain = found?.subject.replace(/[-_]/g, " ") ?? posed.value?.name ?? "";
  return plain === "" ? `View ${(steps.value?.length ?? 0) + 1}` : `${plain[0]?.toUpperCase()}${plain.slice(1)}`;
}

/** Keeps the view of the stage as the step after the chosen one, or as the last. */
export async function keepView(): Promise<void> {
  const on = stage.value;
  const id = leadId.value;
  if (on === null || id === null || on.skulls.length === 0) return;
  if (of !== id || steps.value === null) await loadSteps(id).catch(tellError);
  const found = findingsById.value.get(chosenFinding.value ?? "");
  const known = new Set(steps.value?.map((s) => s.id));
  const body = { scene: sceneNow(on), address: written(), title: titleNow(), narration: found?.statement ?? "", after: chosenStep.value };
  if (await change(() => sent(body), "The view is kept")) chosenStep.value = steps.value?.find((s) => !known.has(s.id))?.id ?? null;
}

export function edit(step: string, what: Partial<Pick<Step, "title" | "narration" | "notes" | "travel">>): void {
  void change(() => sent(what, `/${step}`), "");
}

/** Puts the present view in the place of a step's. */
export function replaceView(step: string): void {
  const on = stage.value;
  if (on !== null) void change(() => sent({ scene: sceneNow(on), address: written() }, `/${step}`), "The step shows the present view");
}

export function move(step: string, by: number): void {
  const order = (steps.value ?? []).map((s) => s.id);
  const at = order.indexOf(step);
  const to = at + by;
  if (at < 0 || to < 0 || to >= order.length) return;
  order.splice(at, 1);
  order.splice(to, 0, step);
  void change(() => sent({ order }, "/order"), `Step ${to + 1} of ${order.length}`);
}

export function discard(step: string): void {
  if (chosenStep.value === step) chosenStep.value = null;
  void change(async () => (await (await ask(`${path()}/${step}?expected=${version}`, { method: "DELETE" })).json()) as Told, "The step is deleted");
}

/** Shows a step on the stage, as it was kept. */
export function showStep(step: Step): void {
  chosenStep.value = step.id;
  const open = leaf.value;
  clipDepth.value = 0;
  history.replaceState(null, "", step.address === "" ? location.hash : step.address);
  readAddress();
  leaf.value = step.scene.slice ? "slice" : open;
  const on = stage.value;
  if (on === null || lead.value === null) return;
  // The plane stood square to another eye than the one that the address brings.
  if (step.scene.clip) on.clip({ normal: new Vector3(...step.scene.clip.normal), reach: step.scene.clip.reach });
  say(step.title);
}

export function showNext(by: number): void {
  const all = steps.value ?? [];
  const at = all.findIndex((s) => s.id === chosenStep.value);
  const next = all[at < 0 ? 0 : at + by];
  if (next) showStep(next);
}
