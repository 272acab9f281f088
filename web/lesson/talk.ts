import { copyEye, pageUp, rightOf } from "../src/stage/camera";
import { byId } from "./byid";
import { type Clock, silentClock, voiceClock } from "./clock";
import type { EyeData, TalkData } from "./data";
import { made, Show, stillWanted } from "./show";
import { Track } from "./track";

const STEP_MS = 5000;
const minutes = (ms: number): string => `${Math.floor(ms / 60000)}:${String(Math.floor(ms / 1000) % 60).padStart(2, "0")}`;

/** A talk replays: voice and stage together. Taken in hand, it waits; returned to, it goes on where it was left. */
export class Talk {
  readonly show: Show;
  readonly clock: Clock;
  private readonly track: Track;
  /** Whether the listener has the skull in hand, and whether the talk ran when they took it. */
  private taken = false;
  private ran = false;
  private dressed = "";
  private sought = false;
  /** The time of the talk that the stage showed last, and where the voice was then, ms; for tests. */
  shownAt = 0;
  lag = 0;
  private readonly seek = byId<HTMLInputElement>("seek");
  private readonly play = byId<HTMLButtonElement>("play");
  private cue = -1;
  private chapter = -2;

  constructor(private readonly data: TalkData) {
    this.track = new Track(data.events);
    this.clock = data.voice === "" ? silentClock(data.length) : voiceClock(data.voice, data.length);
    this.show = new Show(data, byId("stage"), byId("marks"), byId("scale"), byId("named"), (moved) => moved && this.take());
    this.show.over = () => this.pointer();
    (window as unknown as { lessonTalk: Talk }).lessonTalk = this;
  }

  async open(): Promise<void> {
    await this.show.load();
    this.lists();
    this.seek.max = String(this.data.length);
    this.seek.addEventListener("input", () => this.go(Number(this.seek.value)));
    this.play.addEventListener("click", () => this.toggle());
    byId("return").addEventListener("click", () => this.giveBack());
    byId<HTMLInputElement>("captions").addEventListener("change", () => this.words(this.clock.now));
    byId("captioned").hidden = this.data.captions.length === 0;
    document.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => {
      if (!this.taken) this.paint(this.clock.now, true);
    }).observe(this.show.stage.canvas);
    this.paint(0, true);
    this.tell();
    document.documentElement.dataset["ready"] = "yes";
    const frame = (): void => {
      if (!this.taken && (this.clock.runs || this.sought)) this.paint(this.clock.now, this.sought);
      this.sought = false;
      this.tell();
      requestAnimationFrame(frame);
    };
    requestAnimationFrame(frame);
  }

  private lists(): void {
    const entry = (list: string, text: string, at: number): void => {
      const item = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      button.addEventListener("click", () => this.go(at));
      item.append(button);
      byId(list).append(item);
    };
    for (const c of this.data.chapters) entry("steps", `${minutes(c.t)} ${c.title}`, c.t);
    for (const c of this.data.captions) entry("transcript", c.text, c.from);
    byId("chapters-head").hidden = this.data.chapters.length === 0;
    byId("transcript-head").hidden = this.data.captions.length === 0;
  }

  private eyeOf(eye: EyeData): ReturnType<Show["eyeOf"]> {
    return this.show.eyeOf({ ...eye, labels: [], shown: [] });
  }

  /** Lets the stage show the talk at a time. */
  private paint(t: number, whole: boolean): void {
    const count = this.track.count(t);
    if (whole || count !== this.dressed) {
      this.dressed = count;
      const shown = this.track.at("shown", t);
      if (shown) this.show.dress({ shown, labels: this.track.at("labels", t) ?? [], lift: this.track.at("lift", t) ?? 0, clip: this.track.at("clip", t) ?? null, ask: null });
    }
    const eye = this.track.eye(t, stillWanted(), (data) => this.eyeOf(data));
    const stage = this.show.stage;
    if (eye) {
      const now = stage.eye;
      const rests = now.look.distanceTo(eye.look) < 1e-5 && now.centre.distanceTo(eye.centre) < 1e-4 && Math.abs(now.extent - eye.extent) < 1e-4 && now.up.distanceTo(eye.up) < 1e-5;
      if (whole) stage.goTo(eye, true);
      else if (!rests) stage.follow(eye);
      else if (this.pointed !== this.where(t)) this.show.mark();
    }
    this.pointed = this.where(t);
    this.shownAt = t;
    this.lag = this.clock.now - t;
    this.words(t);
  }

  private pointed = "";
  private where = (t: number): string => JSON.stringify(this.track.at("pointer", t) ?? null);

  /** The mark of the pointer, where the one who talks points. */
  private pointer(): Element[] {
    const at = this.taken ? null : this.track.at("pointer", this.clock.now);
    if (!at) return [];
    const eye = this.track.eye(this.clock.now, stillWanted(), (data) => this.eyeOf(data));
    if (!eye) return [];
    const point = copyEye(eye).centre.addScaledVector(rightOf(eye), at[0]).addScaledVector(pageUp(eye), at[1]);
    const place = this.show.stage.project(point.toArray());
    if (!place) return [];
    return [made("circle", { class: "pointing under", cx: place.x, cy: place.y, r: 13 }), made("circle", { class: "pointing", cx: place.x, cy: place.y, r: 13 })];
  }

  /** Caption, transcript and chapter at a time. */
  private words(t: number): void {
    const cue = this.data.captions.findIndex((c) => c.from <= t && t < c.to);
    const on = byId<HTMLInputElement>("captions").checked;
    const caption = byId("caption");
    caption.textContent = on && cue >= 0 ? (this.data.captions[cue]?.text ?? "") : "";
    caption.hidden = caption.textContent === "";
    if (cue !== this.cue) {
      this.cue = cue;
      current("transcript", cue);
      const panel = byId<HTMLElement>("panel");
      const item = byId("transcript").children[cue] as HTMLElement | undefined;
      if (item && this.clock.runs) panel.scrollTop = item.offsetTop - panel.clientHeight / 2;
    }
    const chapter = this.data.chapters.findLastIndex((c) => c.t <= t + 1);
    if (chapter !== this.chapter) current("steps", (this.chapter = chapter));
  }

  private tell(): void {
    const now = this.clock.now;
    byId("clock").textContent = `${minutes(now)} of ${minutes(this.data.length)}`;
    if (document.activeElement !== this.seek || this.clock.runs) this.seek.value = String(Math.round(now));
    this.seek.setAttribute("aria-valuetext", `${minutes(now)} of ${minutes(this.data.length)}`);
    const text = this.clock.runs ? "Pause" : this.taken ? "Go on" : now >= this.data.length ? "Play again" : "Play";
    if (this.play.textContent !== text) this.play.textContent = text;
  }

  private async start(): Promise<void> {
    if (this.clock.now >= this.data.length) this.clock.seek(0);
    try {
      await this.clock.start();
    } catch (error) {
      const fault = byId("fault");
      fault.hidden = false;
      fault.textContent = `The voice cannot be played in this browser (${error instanceof Error ? error.message : String(error)}). The chapters and the transcript work without it.`;
    }
  }

  toggle(): void {
    if (this.taken) this.giveBack(true);
    else if (this.clock.runs) this.clock.stop();
    else void this.start();
  }

  go(ms: number): void {
    this.clock.seek(Math.min(this.data.length, Math.max(0, ms)));
    if (this.taken) this.giveBack();
    this.sought = true;
    if (!this.clock.runs) this.paint(Math.min(this.data.length, Math.max(0, ms)), true);
  }

  /** The listener takes the skull in hand: the talk waits. */
  private take(): void {
    if (this.taken) return;
    this.ran = this.clock.runs;
    this.taken = true;
    this.clock.stop();
    byId<HTMLButtonElement>("return").hidden = false;
    this.show.mark();
  }

  /** Back to where the talk was left; it goes on where it ran, or where `play` is asked for. */
  giveBack(play = false): void {
    if (!this.taken) return;
    this.taken = false;
    byId<HTMLButtonElement>("return").hidden = true;
    this.paint(this.clock.now, true);
    if (this.ran || play) void this.start();
  }

  private key(event: KeyboardEvent): void {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const target = event.target as HTMLElement;
    const turn = 0.16;
    const inHand = (act: () => void) => () => {
      this.take();
      act();
    };
    const stage = this.show.stage;
    const turns: Record<string, () => void> = {
      ArrowRight: () => stage.turnBy(turn, 0), ArrowLeft: () => stage.turnBy(-turn, 0), ArrowUp: () => stage.turnBy(0, -turn), ArrowDown: () => stage.turnBy(0, turn),
    };
    const act: Record<string, () => void> = {
      ArrowRight: () => this.go(this.clock.now + STEP_MS), ArrowLeft: () => this.go(this.clock.now - STEP_MS), Home: () => this.go(0), End: () => this.go(this.data.length),
      "+": inHand(() => stage.nearer(0.85)), "-": inHand(() => stage.nearer(1 / 0.85)), r: () => this.giveBack(),
    };
    if (!(target instanceof HTMLButtonElement)) act[" "] = () => this.toggle();
    const turned = turns[event.key];
    const chosen = event.shiftKey && turned ? inHand(turned) : target === this.seek && event.key.startsWith("Arrow") ? undefined : act[event.key];
    if (chosen) {
      event.preventDefault();
      chosen();
    }
  }
}

function current(list: string, n: number): void {
  [...byId(list).querySelectorAll("button")].forEach((button, i) => {
    if (i === n) button.setAttribute("aria-current", "true");
    else button.removeAttribute("aria-current");
  });
}

