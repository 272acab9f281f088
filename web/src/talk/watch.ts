import { effect, untracked } from "@preact/signals";
import type { EyeTold, Scene } from "../lesson/scene";
import { eyeTold, sceneNow } from "../lesson/scene";
import { chosenStep, steps } from "../lesson/steps";
import type { Stage } from "../stage/stage";
import { chosenFinding, findingsById } from "../state/desk";
import { painted } from "../state/eye";

/** A change of the stage, as `ossicle.publish.talk_events` reads it. */
export type Change = { t: number; eye?: EyeTold; pointer?: [number, number] | null; chapter?: string } & Partial<Omit<Scene, "eye">>;

const EYE_MS = 38;
const POINTER_MS = 40;

/** Watches the stage while a talk is recorded: with every picture painted, what has changed since the last. */
export class Watch {
  private last: Partial<Record<keyof Change, string>> = {};
  private eyeAt = -Infinity;
  private pointerAt = -Infinity;
  private readonly stops: (() => void)[] = [];
  /** Whether the pointer is shown to those who listen. */
  pointing = false;

  constructor(private readonly on: Stage, private readonly now: () => number | null, private readonly tell: (change: Change) => void) {
    const move = (event: PointerEvent): void => this.point(event);
    const leave = (): void => this.pointAt(null);
    on.canvas.addEventListener("pointermove", move);
    on.canvas.addEventListener("pointerleave", leave);
    this.stops.push(
      () => on.canvas.removeEventListener("pointermove", move),
      () => on.canvas.removeEventListener("pointerleave", leave),
      effect(() => {
        painted.value;
        // Only what is painted was seen; what else changes is told with the picture that shows it.
        untracked(() => this.look());
      }),
      effect(() => {
        const id = chosenFinding.value;
        const found = id === null ? undefined : untracked(() => findingsById.value.get(id));
        if (found) this.chapter(found.statement);
      }),
      effect(() => {
        const step = chosenStep.value;
        const title = step === null ? undefined : untracked(() => steps.value?.find((s) => s.id === step)?.title);
        if (title) this.chapter(title);
      }),
    );
  }

  /** Tells the whole stage, as it must be at the beginning of a section. */
  whole(): void {
    this.last = {};
    this.eyeAt = -Infinity;
    this.look();
  }

  /** Tells what has changed. */
  look(): void {
    const t = this.now();
    if (t === null || this.on.skulls.length === 0) return;
    const change: Change = { t };
    const { eye: _, ...rest } = sceneNow(this.on);
    for (const [key, value] of Object.entries(rest)) this.put(change, key as keyof Change, value);
    const eye = eyeTold(this.on, this.on.eye);
    if (t - this.eyeAt >= EYE_MS && this.put(change, "eye", eye)) this.eyeAt = t;
    if (Object.keys(change).length > 1) this.tell(change);
  }

  private put(change: Change, key: keyof Change, value: unknown): boolean {
    const text = JSON.stringify(value);
    if (this.last[key] === text) return false;
    this.last[key] = text;
    Object.assign(change, { [key]: value });
    return true;
  }

  private chapter(title: string): void {
    const t = this.now();
    if (t !== null) this.tell({ t, chapter: title.length > 90 ? `${title.slice(0, 88).replace(/\s+\S*$/, "")} …` : title });
  }

  private point(event: PointerEvent): void {
    if (!this.pointing) return;
    const box = this.on.canvas.getBoundingClientRect();
    const { width, height } = this.on.size;
    const mm = this.on.mmPerPx;
    this.pointAt([Number(((event.clientX - box.left - width / 2) * mm).toFixed(2)), Number(((height / 2 - event.clientY + box.top) * mm).toFixed(2))]);
  }

  pointAt(at: [number, number] | null): void {
    const t = this.now();
    if (t === null || (at !== null && t - this.pointerAt < POINTER_MS)) return;
    const change: Change = { t };
    if (!this.put(change, "pointer", at)) return;
    this.pointerAt = t;
    this.tell(change);
  }

  stop(): void {
    for (const stop of this.stops) stop();
  }
}
