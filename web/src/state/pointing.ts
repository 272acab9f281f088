import { signal } from "@preact/signals";
import type { StageHit } from "../stage/stage";

/** What the next press on the stage is for, where it is not for turning and choosing. */
export type Pointing =
  | { kind: "point"; said: string; take: (hit: StageHit) => void | Promise<void> }
  | { kind: "stroke"; said: string; draw: (points: [number, number][]) => void };

export const pointing = signal<Pointing | null>(null);
/** The stroke being drawn, in CSS pixels of the stage. */
export const strokeDrawn = signal<readonly [number, number][]>([]);

export function letGoOfPointing(): void {
  pointing.value = null;
  strokeDrawn.value = [];
}
