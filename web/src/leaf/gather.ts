import { signal } from "@preact/signals";
import { lead, say } from "../state/desk";
import { applyBack, freePoints } from "../state/marking";
import { letGoOfPointing, pointing } from "../state/pointing";
import type { Vec3 } from "../types";

/** Points are placed one after the other, on the stage or in the slice; an area takes as many as one likes. */
export const gathering = signal<{ named: string; open: boolean } | null>(null);
let finish: ((points: Vec3[]) => void) | null = null;

/** Asks for points, one for each prompt; `open` goes on with the last prompt until `enough` is called. Scan mm. */
export function gather(named: string, prompts: readonly string[], open: boolean, done: (points: Vec3[]) => void): void {
  freePoints.value = [];
  gathering.value = { named, open };
  finish = done;
  const ask = (): void => {
    const at = freePoints.value.length;
    const said = prompts[Math.min(at, prompts.length - 1)] ?? "the next point";
    pointing.value = {
      kind: "point",
      said: `${named}: point at ${said}`,
      take: (hit) => {
        const specimen = lead.value;
        if (specimen === null || hit.id !== specimen.id) return say("Point at the specimen whose account lies open");
        freePoints.value = [...freePoints.value, applyBack(specimen.scan.scan_to_skull, hit.point)];
        if (!open && freePoints.value.length >= prompts.length) enough();
        else ask();
      },
    };
  };
  ask();
}

export function enough(): void {
  const points = [...freePoints.value];
  const then = finish;
  finish = null;
  gathering.value = null;
  letGoOfPointing();
  then?.(points);
}

export function forget(): void {
  finish = null;
  gathering.value = null;
  freePoints.value = [];
  letGoOfPointing();
}
