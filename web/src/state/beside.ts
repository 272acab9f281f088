import { computed, effect, signal } from "@preact/signals";
import { Matrix4, Vector3 } from "three";
import { api } from "../api";
import type { Beside, Difference, PairTold, SeriesTold } from "../types";
import { boneVeil, evidence } from "./showing";
import { chosenFinding, chosenParts, leadId, onStage, say, specimens, tellError } from "./desk";
import { framed, stage } from "./eye";

/** Specimens side by side: how they are laid, what differs, which parts answer one another. */

export const LAID = ["pose", "surfaces", "landmarks"] as const;
export type Laid = (typeof LAID)[number];
export const laid = signal<Laid>("pose");
/** Whether the others are enlarged or reduced to fit the first. */
export const fitted = signal(false);
/** Whether a deciduous tooth answers to its successor in the others. */
export const across = signal(false);
/** The specimen that the first is compared with, where several stand beside it. */
export const against = signal<string | null>(null);

export const besideTold = signal<Beside | null>(null);
export const seriesTold = signal<SeriesTold | null>(null);
/** Why no comparison, or no series, can be shown. */
export const besideFault = signal<string | null>(null);
export const seriesFault = signal<string | null>(null);

export const pairNow = computed<PairTold | null>(() => {
  const pairs = besideTold.value?.pairs ?? [];
  return pairs.find((p) => p.other === against.value) ?? pairs[0] ?? null;
});

/** Parts that answer to a part of one specimen in another, as the comparison has them; null while none is known. */
export function answering(part: number, from: string, within: string): readonly number[] | null {
  const told = besideTold.value;
  if (told === null) return null;
  const a = told.specimens.findIndex((s) => s.id === from);
  const b = told.specimens.findIndex((s) => s.id === within);
  if (a < 0 || b < 0) return null;
  return told.counterparts.find((c) => c.parts[a]?.includes(part))?.parts[b] ?? [];
}

/** What differs and is looked at now, with its evidence by specimen. */
export const chosenDifference = signal<string | null>(null);
export const differenceShown = computed<{ difference: Difference; ids: readonly [string, string] } | null>(() => {
  const pair = pairNow.value;
  const lead = leadId.value;
  const found = pair?.differences.find((d) => d.id === chosenDifference.value);
  return pair && found && lead !== null ? { difference: found, ids: [lead, pair.other] } : null;
});
export function evidenceIn(id: string): Difference["evidence"][number] | null {
  const now = differenceShown.value;
  const at = now?.ids.indexOf(id) ?? -1;
  return now?.difference.evidence[at] ?? null;
}

effect(() => {
  if (chosenFinding.value !== null || onStage.value.length < 2) chosenDifference.value = null;
});

/** Turns all specimens to what shows a difference, and takes the others' parts with it. */
export function chooseDifference(id: string | null): void {
  chosenDifference.value = id;
  const now = differenceShown.value;
  if (now === null) return;
  chosenFinding.value = null;
  evidence.value = null;
  chosenParts.value = [];
  const view = now.difference.evidence[0].view ?? now.difference.evidence[1].view;
  const on = stage.value;
  say(now.difference.statement);
  if (view === null || on === null) return;
  queueMicrotask(() => {
    on.fit = (look, up) => framed(on, look, up);
    on.goTo(framed(on, new Vector3(...view.look).normalize(), new Vector3(...view.up)));
  });
}

/** Where a specimen is laid, as the comparison says: skull mm of its own to skull mm of the first. */
export function laying(id: string): Matrix4 | null {
  const told = besideTold.value;
  const placed = told?.pairs.find((p) => p.other === id)?.placement;
  if (!placed || told?.specimens[0]?.id !== leadId.value || told?.way === "pose") return null;
  return new Matrix4().set(...(placed.matrix.flat() as Parameters<Matrix4["set"]>));
}

/** One veil for all specimens, or each its own; those named here keep theirs. */
export const ownVeils = signal<Readonly<Record<string, number>>>({});
export const veilsApart = computed(() => Object.keys(ownVeils.value).length > 0);
export const veilFor = (id: string): number => ownVeils.value[id] ?? boneVeil.value;
export function setVeil(id: string | null, value: number): void {
  if (id !== null && veilsApart.value) ownVeils.value = { ...ownVeils.value, [id]: value };
  else boneVeil.value = value;
}
export function setVeilsApart(apart: boolean): void {
  ownVeils.value = apart ? Object.fromEntries(onStage.value.map((id) => [id, boneVeil.value])) : {};
}

/** Asks for the comparison anew whenever other specimens stand there, are laid otherwise, or have changed. */
export function keepBeside(): void {
  let asked = "";
  effect(() => {
    const ids = onStage.value;
    const known = ids.every((id) => specimens.value.has(id));
    const versions = ids.map((id) => `${id}.${specimens.value.get(id)?.reading.number}.${specimens.value.get(id)?.version}`).join(" ");
    const scale = fitted.value && laid.value !== "pose";
    const wanted = ids.length < 2 || !known ? "" : [versions, laid.value, scale, across.value].join(" ");
    if (wanted === asked) return;
    asked = wanted;
    if (wanted === "") {
      besideTold.value = null;
      seriesTold.value = null;
      besideFault.value = null;
      return;
    }
    void ask(ids, scale, () => asked === wanted);
  });
}

async function ask(ids: readonly string[], scale: boolean, still: () => boolean): Promise<void> {
  try {
    const told = await api.compare(ids, laid.value, scale, across.value);
    if (!still()) return;
    besideTold.value = told;
    besideFault.value = null;
  } catch (error) {
    if (!still()) return;
    if (laid.value === "pose") {
      besideTold.value = null;
      besideFault.value = said(error);
    } else {
      // They stand as they stood; the reason is told where one chose otherwise.
      laid.value = "pose";
      tellError(error);
      return;
    }
  }
  if (ids.length < 3) {
    seriesTold.value = null;
    seriesFault.value = null;
    return;
  }
  try {
    const told = await api.series(ids);
    if (!still()) return;
    seriesTold.value = told;
    seriesFault.value = null;
  } catch (error) {
    if (!still()) return;
    seriesTold.value = null;
    seriesFault.value = said(error);
  }
}

const said = (error: unknown): string => (error instanceof Error ? error.message : String(error));
