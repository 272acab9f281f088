import { Color, Matrix4, Vector3 } from "three";
import { between, copyEye, type Eye, levelled, pageUp, rightOf } from "../src/stage/camera";
import { takeInHand } from "../src/stage/hands";
import type { Look } from "../src/stage/skull";
import { Stage } from "../src/stage/stage";
import { readSurfaces } from "../src/stage/surfaces";
import type { PageData, ShownData, StepData } from "./data";

/** What is looked at and how it is framed: a step, or a moment of a talk. */
export type Framed = Pick<StepData, "look" | "up" | "centre" | "extent" | "aspect" | "parallel" | "labels" | "shown">;
export type Scene = Pick<StepData, "shown" | "labels" | "lift" | "clip" | "ask">;

const TRAVEL_MS = 900;
const NICE = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];
const SVG = "http://www.w3.org/2000/svg";

export const stillWanted = (): boolean => matchMedia("(prefers-reduced-motion: reduce)").matches;

/** The stage of a lesson: goes from step to step, and may be taken in hand between. */
export class Show {
  readonly stage: Stage;
  private scene: Scene | null = null;
  private shown: number[] = [];
  /** Drawn over the stage with every picture. */
  over: (() => Element[]) | null = null;
  private travelling = 0;
  private pointed = "";

  constructor(
    private readonly data: PageData, canvas: HTMLCanvasElement, private readonly marks: SVGSVGElement, private readonly bar: HTMLElement,
    private readonly named: HTMLElement, private readonly inHand: (moved: boolean) => void,
  ) {
    this.stage = new Stage(canvas, {
      eye: () => undefined,
      painted: () => this.draw(),
      picked: (hit) => this.say(hit ? this.nameOf(hit.id, hit.part) : ""),
      hovered: (hit) => this.say(hit ? this.nameOf(hit.id, hit.part) : ""),
      stroke: () => undefined,
    });
    takeInHand(this.stage);
    const taken = (): void => {
      cancelAnimationFrame(this.travelling);
      this.inHand(true);
    };
    canvas.addEventListener("pointerdown", taken);
    canvas.addEventListener("wheel", taken, { passive: true });
    new ResizeObserver(() => this.resize()).observe(canvas.parentElement as Element);
    this.inks();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.inks());
    this.resize();
  }

  private inks(): void {
    const style = getComputedStyle(document.documentElement);
    const ink = (name: string): Color => new Color(style.getPropertyValue(name).trim());
    this.stage.setInks({ paper: ink("--stage"), ink: ink("--stage-ink"), veilInk: ink("--veil-ink"), line: ink("--ground"), chosen: ink("--chosen") });
  }

  async load(): Promise<void> {
    for (const [n, specimen] of this.data.specimens.entries()) {
      const bytes = Uint8Array.from(atob(specimen.glb), (c) => c.charCodeAt(0));
      this.surfaces.set(n, await readSurfaces(bytes.buffer));
    }
  }

  private readonly surfaces = new Map<number, Awaited<ReturnType<typeof readSurfaces>>>();

  private resize(): void {
    const box = (this.stage.canvas.parentElement as HTMLElement).getBoundingClientRect();
    this.stage.resize(Math.round(box.width), Math.round(box.height), devicePixelRatio);
    this.marks.setAttribute("viewBox", `0 0 ${Math.round(box.width)} ${Math.round(box.height)}`);
  }

  /** Shows a step, by a short way where it asks for one and motion is welcome. */
  go(step: StepData, atOnce: boolean): void {
    this.dress(step);
    const to = this.eyeOf(step);
    cancelAnimationFrame(this.travelling);
    this.inHand(false);
    if (atOnce || !step.travel || stillWanted()) {
      this.stage.goTo(to, true);
      return;
    }
    const from = copyEye(this.stage.aim);
    const began = performance.now();
    const frame = (now: number): void => {
      const t = Math.min(1, Math.max(0, (now - began) / TRAVEL_MS));
      this.stage.follow(between(from, to, t));
      if (t < 1) this.travelling = requestAnimationFrame(frame);
    };
    this.travelling = requestAnimationFrame(frame);
  }

  /** Lets the stage show a scene, but for its eye. */
  dress(scene: Scene): void {
    this.scene = scene;
    const wanted = scene.shown.map((s) => s.specimen);
    for (const n of this.shown.filter((x) => !wanted.includes(x))) this.stage.remove(String(n));
    for (const n of wanted.filter((x) => !this.shown.includes(x))) {
      const surfaces = this.surfaces.get(n);
      if (surfaces) this.stage.add(String(n), surfaces);
    }
    this.stage.skulls.sort((a, b) => wanted.indexOf(Number(a.id)) - wanted.indexOf(Number(b.id)));
    this.shown = wanted;
    for (const shown of scene.shown) this.wear(scene, shown);
    this.stage.clip(scene.clip ? { normal: new Vector3(...scene.clip.normal), reach: scene.clip.reach } : null);
  }

  private wear(scene: Scene, shown: ShownData): void {
    const skull = this.stage.skulls.find((s) => s.id === String(shown.specimen));
    const specimen = this.data.specimens[shown.specimen];
    if (!skull || !specimen) return;
    skull.lay(shown.laid ? new Matrix4().set(...(shown.laid as Parameters<Matrix4["set"]>)) : null);
    const solid = new Set(shown.solid);
    const veiled = new Set(shown.veiled);
    const enamel = new Set(shown.enamel ?? shown.solid);
    const chosen = new Set(shown.chosen);
    const parts = new Map(specimen.parts.map((p) => [p.part, p]));
    const looks: Look[] = skull.pieces.map((piece) => {
      const part = parts.get(piece.part);
      const body = solid.has(piece.part) ? "solid" : veiled.has(piece.part) ? "veiled" : "absent";
      const presence = piece.enamel ? (enamel.has(piece.part) ? "solid" : "absent") : body;
      const asked = scene.ask !== null && scene.ask.specimen === shown.specimen && scene.ask.part === piece.part;
      const lift = part?.lift ?? [0, 0, 0];
      return {
        presence: part ? presence : "absent",
        colour: (piece.enamel ? part?.enamel : part?.colour) ?? [1, 1, 1],
        opacity: part?.group === "bone" ? (shown.veil ?? 0.34) : 0.5,
        lift: [lift[0] * scene.lift, lift[1] * scene.lift, lift[2] * scene.lift],
        chosen: asked || chosen.has(piece.part),
        hovered: false,
        bone: part?.group === "bone",
      };
    });
    this.stage.wear(String(shown.specimen), looks);
  }

  /** The eye of a scene on this stage: it sees at least what was seen where the view was kept. */
  eyeOf(step: Framed): Eye {
    const look = new Vector3(...step.look).normalize();
    const up = levelled(look, new Vector3(...step.up));
    const eye: Eye = { look, up, centre: new Vector3(), extent: 60, parallel: step.parallel ?? true };
    const { width, height } = this.stage.size;
    const least = Math.min(width, height);
    if (step.centre && step.extent) {
      eye.centre = new Vector3(...step.centre);
      const aspect = step.aspect ?? 1;
      eye.extent = step.extent * Math.max((Math.max(1, aspect) * least) / width, (Math.max(1, 1 / aspect) * least) / height);
      return eye;
    }
    this.stage.eye = copyEye(eye);
    this.stage.standApart();
    const right = rightOf(eye);
    const top = pageUp(eye);
    const box = this.stage.bounds();
    const spans = [right, top].map((axis) => {
      const along = [box.min.x, box.max.x].flatMap((x) => [box.min.y, box.max.y].flatMap((y) => [box.min.z, box.max.z].map((z) => axis.dot(new Vector3(x, y, z)))));
      return Math.max(...along) - Math.min(...along);
    }) as [number, number];
    eye.centre = box.getCenter(new Vector3());
    // Room at both sides for labels.
    const side = step.labels.length > 0 ? 0.68 : 0.9;
    eye.extent = Math.max((spans[0] / (side * width)) * least, (spans[1] / (0.86 * height)) * least);
    return eye;
  }

  private nameOf(id: string, part: number): string {
    if (this.scene?.ask && this.data.kind === "spotter") return "";
    const specimen = this.data.specimens[Number(id)];
    const name = specimen?.parts.find((p) => p.part === part)?.name ?? "";
    return this.data.specimens.length > 1 && specimen ? `${name}, ${specimen.name}` : name;
  }

  private say(text: string): void {
    if (text !== this.pointed) this.named.textContent = this.pointed = text;
  }

  private place(specimen: number, part: number): { x: number; y: number } | null {
    const data = this.data.specimens[specimen]?.parts.find((p) => p.part === part);
    const lift = this.scene?.lift;
    if (!data || lift === undefined) return null;
    const at = data.centre.map((c, i) => c + (data.lift[i] as number) * lift) as [number, number, number];
    return this.stage.project(at, String(specimen));
  }

  /** Draws the marks over the stage anew, where the stage itself has not changed. */
  mark(): void {
    this.draw();
  }

  /** Labels at both sides, in the order of their parts' heights, each with its leader; the scale bar; names of two. */
  private draw(): void {
    const step = this.scene;
    if (!step) return;
    const { width, height } = this.stage.size;
    const found = step.labels.flatMap((label) => {
      const at = this.place(label.specimen, label.part);
      return at && at.x > 0 && at.x < width && at.y > 0 && at.y < height ? [{ text: label.text, at }] : [];
    });
    const nodes: Element[] = [];
    const middle = width / 2;
    // Letters are larger where one presents.
    const letter = Number.parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--letter")) / 14;
    for (const left of [true, false]) {
      const some = found.filter((f) => f.at.x < middle === left).sort((a, b) => a.at.y - b.at.y);
      const pitch = Math.min(22 * letter, (height - 40) / Math.max(1, some.length));
      let last = 8;
      some.forEach((one, i) => {
        const y = Math.min(height - 24 - pitch * (some.length - 1 - i), Math.max(last + pitch, one.at.y));
        last = y;
        const letters = Math.max(...some.map((s) => s.text.length));
        const x = left ? 12 + 9.5 * letter * letters : width - 12 - 9.5 * letter * letters;
        nodes.push(made("line", { class: "under", x1: one.at.x, y1: one.at.y, x2: x, y2: y }), made("line", { class: "leader", x1: one.at.x, y1: one.at.y, x2: x, y2: y }), made("circle", { cx: one.at.x, cy: one.at.y, r: 2.4 }));
        nodes.push(made("text", { x: left ? x - 5 : x + 5, y: y + 4.5 * letter, "text-anchor": left ? "end" : "start" }, one.text));
      });
    }
    if (step.ask) {
      const at = this.place(step.ask.specimen, step.ask.part);
      if (at) nodes.push(made("path", { class: "pointer", d: `M${at.x + 46},${at.y - 46}L${at.x + 9},${at.y - 9}m0,-13v13h13` }));
    }
    if (step.shown.length > 1) {
      for (const shown of step.shown) {
        const box = this.stage.skulls.find((s) => s.id === String(shown.specimen))?.shown();
        if (!box) continue;
        const at = this.stage.project(box.low.clone().add(box.high).multiplyScalar(0.5).toArray(), String(shown.specimen));
        if (at) nodes.push(made("text", { class: "whose", x: at.x, y: 22, "text-anchor": "middle" }, this.data.specimens[shown.specimen]?.name ?? ""));
      }
    }
    if (this.over) nodes.push(...this.over());
    this.marks.replaceChildren(...nodes);
    const mm = NICE.findLast((n) => n / this.stage.mmPerPx <= 140) ?? 0.05;
    this.bar.textContent = mm < 1 ? `${Math.round(mm * 1000)} µm` : `${mm} mm`;
    this.bar.style.width = `${mm / this.stage.mmPerPx}px`;
  }
}

export function made(name: string, attributes: Record<string, string | number>, text?: string): Element {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, typeof value === "number" ? value.toFixed(1) : value);
  if (text !== undefined) node.textContent = text;
  return node;
}
