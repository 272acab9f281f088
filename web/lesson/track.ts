import { between, type Eye } from "../src/stage/camera";
import type { EventData, EyeData } from "./data";

/** Samples of the eye that lie farther apart than this are no one movement: it rests, and then goes there. */
const MOVEMENT_MS = 400;

/** What a talk shows at any time: the last of each kind of change, and the eye between its samples. */
export class Track {
  private readonly eyes: { t: number; eye: EyeData }[] = [];
  private readonly kinds = new Map<keyof EventData, EventData[]>();
  private readonly first: Partial<EventData> = {};

  constructor(events: readonly EventData[]) {
    for (const event of events) {
      if (event.eye) this.eyes.push({ t: event.t, eye: event.eye });
      for (const key of ["shown", "labels", "lift", "clip", "pointer"] as const) {
        if (!(key in event)) continue;
        this.kinds.set(key, [...(this.kinds.get(key) ?? []), event]);
        if (!(key in this.first)) Object.assign(this.first, { [key]: event[key] });
      }
    }
  }

  /** The last of a kind by `t`; before any, the first of what shows and names, else nothing. */
  at<K extends "shown" | "labels" | "lift" | "clip" | "pointer">(key: K, t: number): EventData[K] | undefined {
    const all = this.kinds.get(key) ?? [];
    const n = last(all, t);
    if (n >= 0) return (all[n] as EventData)[key];
    return key === "shown" ? this.first[key] : undefined;
  }

  /** How many changes of all kinds but the eye and the pointer came by `t`: what is shown is the same while it is. */
  count(t: number): string {
    return (["shown", "labels", "lift", "clip"] as const).map((key) => last(this.kinds.get(key) ?? [], t)).join(" ");
  }

  /** The eye at `t`; where no motion is wanted, that at which a movement ends. */
  eye(t: number, still: boolean, told: (data: EyeData) => Eye): Eye | null {
    const n = Math.max(0, last(this.eyes, t));
    const a = this.eyes[n];
    if (a === undefined) return null;
    if (still) {
      let end = n;
      while (end + 1 < this.eyes.length && (this.eyes[end + 1] as { t: number }).t - (this.eyes[end] as { t: number }).t < MOVEMENT_MS) end++;
      return told((this.eyes[end] as { eye: EyeData }).eye);
    }
    const b = this.eyes[n + 1];
    const from = told(a.eye);
    if (b === undefined || t <= a.t || b.t - a.t >= MOVEMENT_MS) return from;
    return between(from, told(b.eye), (t - a.t) / (b.t - a.t), false);
  }
}

/** Index of the last that is not after `t`, -1 where all are. */
function last(all: readonly { t: number }[], t: number): number {
  let low = 0;
  let high = all.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((all[middle] as { t: number }).t <= t) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

