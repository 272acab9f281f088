import { Box3, Color, ColorManagement, type Object3D, Raycaster, Vector2, Vector3, Vector4 } from "three";
import { between, copyEye, type Eye, type Optics, optics, pageUp, rightOf, turn } from "./camera";
import { type Inks, Painter } from "./painter";
import type { Hit } from "./picking";
import type { Cast } from "./cast";
import { LAYERS, type Layer, type Look, Skull } from "./skull";
import type { Surfaces } from "./surfaces";

ColorManagement.enabled = false;

export interface StageHit extends Hit {
  id: string;
}

export interface StageEvents {
  eye(eye: Eye): void;
  painted(): void;
  picked(hit: StageHit | null, event: PointerEvent): void;
  hovered(hit: StageHit | null): void;
  stroke(points: [number, number][]): void;
}

const STILL_MS = 140;
const FINE_MS = 420;
const TRAVEL_MS = 170;
/** How long after the first finest picture what is drawn later is made ready. */
const WARM_MS = 600;

/** The stage: specimens on one ground under one camera. Paints only when something has changed. */
export class Stage {
  readonly painter: Painter;
  readonly skulls: Skull[] = [];
  eye: Eye = { look: new Vector3(-1, 0, 0), up: new Vector3(0, 1, 0), centre: new Vector3(), extent: 60, parallel: true };
  /** True while a stroke is to be drawn instead of turning. */
  stroking = false;
  /** Milliseconds of the last pictures while moving, for the bench. */
  readonly frames: number[] = [];
  private inks: Inks = { paper: new Color(1, 1, 1), ink: new Color(0, 0, 0), veilInk: new Color(0, 0, 0), line: new Color(0.8, 0.8, 0.8), chosen: new Color(0.83, 0.28, 0.06) };
  private width = 1;
  private height = 1;
  private ratio = 1;
  private view: Optics | null = null;
  private quality: "moving" | "still" | "fine" = "still";
  private movingScale = 0.5;
  /** Whether coarse surfaces are drawn while moving: learnt where pictures take too long. */
  private coarse = false;
  /** The eye that shows the whole as it is looked at now; while it is set, the stage keeps to it when it is resized. */
  fit: ((look: Vector3, up: Vector3) => Eye) | null = null;
  casting: Cast | null = null;
  private asked = 0;
  private warmed = false;
  private refine = 0;
  private travel: { from: Eye; to: Eye; began: number } | null = null;
  private readonly ray = new Raycaster();

  constructor(readonly canvas: HTMLCanvasElement, private readonly events: StageEvents) {
    this.painter = new Painter(canvas);
    // Without a GPU one need not learn that pictures take long.
    if (this.painter.bySoftware) {
      this.coarse = true;
      this.movingScale = 0.35;
    }
    canvas.addEventListener("webglcontextrestored", () => this.changed());
  }

  setInks(inks: Inks): void {
    this.inks = inks;
    this.changed();
  }

  resize(width: number, height: number, ratio: number): void {
    if (width === this.width && height === this.height && ratio === this.ratio) return;
    this.width = Math.max(1, width);
    this.height = Math.max(1, height);
    this.ratio = Math.min(ratio, 2);
    this.painter.resize(this.width, this.height, this.ratio);
    this.refit();
    this.changed();
  }

  add(id: string, surfaces: Surfaces): Skull {
    const first = this.skulls.reduce((n, s) => Math.max(n, s.firstSlot + s.pieces.length), 1);
    const skull = new Skull(id, surfaces, first, this.painter.shared);
    for (const layer of LAYERS) this.painter.scenes[layer].add(skull.groups[layer]);
    this.skulls.push(skull);
    this.changed();
    return skull;
  }

  remove(id: string): void {
    const at = this.skulls.findIndex((s) => s.id === id);
    const skull = this.skulls[at];
    if (skull === undefined) return;
    for (const layer of LAYERS) this.painter.scenes[layer].remove(skull.groups[layer]);
    skull.dispose();
    this.skulls.splice(at, 1);
    this.changed();
  }

  wear(id: string, looks: Look[]): void {
    this.skulls.find((s) => s.id === id)?.wear(looks);
    this.changed();
  }

  /** Draws a specimen by casting its volume instead of its surfaces; null goes back to surfaces. */
  cast(id: string, cast: Cast | null): void {
    const skull = this.skulls.find((s) => s.id === id);
    if (this.casting) this.painter.scenes.solid.remove(this.casting.mesh);
    this.casting?.dispose();
    this.casting = cast;
    for (const s of this.skulls) s.hidden = cast !== null && s === skull;
    if (cast) this.painter.scenes.solid.add(cast.mesh);
    this.changed();
  }

  /** Adds something of its own, such as the slice, to the solid layer. */
  put(thing: Object3D): void {
    this.painter.scenes.solid.add(thing);
    this.changed();
  }

  take(thing: Object3D): void {
    this.painter.scenes.solid.remove(thing);
    this.changed();
  }

  /** Points with dot(p, normal) > reach are cut away; null clips nothing. */
  clip(plane: { normal: Vector3; reach: number } | null): void {
    if (plane) this.painter.shared.clip.value.set(plane.normal.x, plane.normal.y, plane.normal.z, plane.reach);
    else this.painter.shared.clip.value.set(0, 0, 0, 1);
    for (const skull of this.skulls) skull.clipOpen(plane !== null);
    this.changed();
  }

  /** The plane that cuts away, null where there is none. */
  get cut(): { normal: Vector3; reach: number } | null {
    const { x, y, z, w } = this.painter.shared.clip.value;
    return x === 0 && y === 0 && z === 0 ? null : { normal: new Vector3(x, y, z), reach: w };
  }

  /** Goes to another eye, by a short way unless `at once`. */
  goTo(eye: Eye, atOnce = matchMedia("(prefers-reduced-motion: reduce)").matches): void {
    // Drawn by software the way there would be two pictures, and evidence is waited for.
    const jumps = atOnce || this.painter.bySoftware;
    this.travel = jumps ? null : { from: copyEye(this.eye), to: copyEye(eye), began: performance.now() };
    if (jumps) {
      this.eye = copyEye(eye);
      if (atOnce) this.changed();
      else this.moved();
      this.events.eye(this.eye);
    } else this.moved();
  }

  /**
   * Goes along with an eye that moves on by itself: quick pictures, a better one when it rests. Called within an animation
   * frame, it paints in that frame and not in the next, so that it does not fall behind what it goes along with.
   */
  follow(eye: Eye): void {
    this.travel = null;
    this.eye = copyEye(eye);
    this.quality = "moving";
    cancelAnimationFrame(this.asked);
    this.frame(performance.now());
  }

  /** Shows the whole again, where that is what the stage keeps to. */
  refit(): void {
    if (this.fit && this.skulls.length > 0) this.goTo(this.fit(this.aim.look.clone(), this.aim.up.clone()), true);
  }

  /** Where the eye is going, or stands. */
  get aim(): Eye {
    return this.travel?.to ?? this.eye;
  }

  turnBy(sideways: number, over: number): void {
    this.arrive();
    turn(this.eye, sideways, over);
    this.moved();
    this.events.eye(this.eye);
  }

  /** Shifts the page by CSS pixels. */
  shiftBy(x: number, y: number): void {
    this.fit = null;
    this.arrive();
    const mm = this.eye.extent / Math.min(this.width, this.height);
    this.eye.centre.addScaledVector(rightOf(this.eye), -x * mm).addScaledVector(pageUp(this.eye), y * mm);
    this.moved();
    this.events.eye(this.eye);
  }

  /** Nearer (factor below 1) or farther, about a place on the stage in CSS pixels. */
  nearer(factor: number, x = this.width / 2, y = this.height / 2): void {
    this.fit = null;
    this.arrive();
    const before = this.eye.extent;
    this.eye.extent = Math.min(2000, Math.max(0.2, before * factor));
    const mm = (before - this.eye.extent) / Math.min(this.width, this.height);
    this.eye.centre
      .addScaledVector(rightOf(this.eye), (x - this.width / 2) * mm)
      .addScaledVector(pageUp(this.eye), -(y - this.height / 2) * mm);
    this.moved();
    this.events.eye(this.eye);
  }

  private arrive(): void {
    if (this.travel) this.eye = this.travel.to;
    this.travel = null;
  }

  /** Everything shown, in stage mm. */
  bounds(): Box3 {
    const box = new Box3();
    for (const skull of this.skulls) {
      const shown = skull.shown();
      if (shown) box.expandByPoint(shown.low.add(skull.offset)).expandByPoint(shown.high.add(skull.offset));
    }
    if (box.isEmpty()) box.set(new Vector3(-10, -10, -10), new Vector3(10, 10, 10));
    return box;
  }

  /** Specimens stand side by side along the page's horizontal, one gap apart, the row centred on the first one's place. */
  standApart(): void {
    if (this.skulls.length < 2) {
      this.skulls[0]?.moveTo(new Vector3());
      return;
    }
    const right = rightOf(this.eye);
    const widths = this.skulls.map((skull) => spanAlong(skull, right));
    const gap = 0.12 * Math.max(...widths.map(([a, b]) => b - a));
    const total = widths.reduce((sum, [a, b]) => sum + b - a, 0) + gap * (widths.length - 1);
    let at = -total / 2;
    this.skulls.forEach((skull, i) => {
      const [low, high] = widths[i] as [number, number];
      // All stand on one ground, that of the first.
      const drop = (this.skulls[0]?.shown()?.low.y ?? 0) - (skull.shown()?.low.y ?? 0);
      const shift = right.clone().multiplyScalar(at - low);
      if (Math.abs(right.y) < 0.1) shift.y += drop;
      skull.moveTo(shift);
      at += high - low + gap;
    });
  }

  /** Asks for a new picture at once in good quality. */
  changed(): void {
    this.quality = this.quality === "moving" ? "moving" : "still";
    this.ask();
  }

  /** Asks for a quick picture, and a better one when nothing moves any more. */
  private moved(): void {
    this.quality = "moving";
    this.ask();
  }

  private ask(): void {
    if (this.asked === 0) this.asked = requestAnimationFrame(this.frame);
  }

  private readonly frame = (now: number): void => {
    this.asked = 0;
    if (this.travel) {
      const t = Math.min(1, (now - this.travel.began) / TRAVEL_MS);
      this.eye = t >= 1 ? copyEye(this.travel.to) : between(this.travel.from, this.travel.to, Math.max(0, t));
      if (t >= 1) {
        this.travel = null;
        this.events.eye(this.eye);
      }
    }
    const began = performance.now();
    this.paint();
    if (this.quality === "moving") {
      this.learn(performance.now() - began);
      window.clearTimeout(this.refine);
      this.refine = window.setTimeout(() => this.better("still"), STILL_MS);
    } else if (this.quality === "still") {
      window.clearTimeout(this.refine);
      this.refine = window.setTimeout(() => this.better("fine"), FINE_MS);
    }
    if (this.travel) this.ask();
  };

  private better(quality: "still" | "fine"): void {
    this.quality = quality;
    this.ask();
  }

  /** Chooses how coarse to draw while moving, so that a picture takes about 40 ms. */
  private learn(ms: number): void {
    this.frames.push(ms);
    if (this.frames.length > 240) this.frames.shift();
    if (ms > 48 && !this.coarse) this.coarse = true;
    else if (ms > 48) this.movingScale = Math.max(this.casting ? 0.15 : 0.3, this.movingScale * 0.86);
    else if (ms < 22 && this.movingScale < 1) this.movingScale = Math.min(1, this.movingScale * 1.08);
    else if (ms < 8) this.coarse = false;
  }

  private scaleOf(quality: "moving" | "still" | "fine"): number {
    if (quality === "moving") return this.movingScale;
    if (quality === "still") return this.casting ? 0.5 : 1;
    const pixels = this.width * this.height * this.ratio ** 2;
    // Where pictures are slow to paint, the finest one is no larger than the canvas.
    return this.casting || this.coarse ? 1 : Math.min(2, Math.max(1, Math.sqrt(5.5e6 / pixels)));
  }

  private paint(): void {
    this.standApart();
    const box = this.bounds();
    const middle = box.getCenter(new Vector3());
    const reach = Math.max(1, box.getSize(new Vector3()).length() / 2 + 2);
    this.view = optics(this.eye, this.width, this.height, reach, middle);
    const has: Record<Layer, boolean> = {
      solid: true,
      bone: this.skulls.some((s) => !s.hidden && s.has("bone")),
      other: this.skulls.some((s) => !s.hidden && s.has("other")),
    };
    // Where the finest picture would be the same again, it is this one.
    if (this.quality === "still" && this.scaleOf("still") === this.scaleOf("fine")) this.quality = "fine";
    const scale = this.scaleOf(this.quality);
    for (const skull of this.skulls) skull.setCoarse(this.coarse && this.quality === "moving");
    const ground = { y: box.min.y - 0.02 * reach, x: middle.x, z: middle.z, reach: reach * 1.5 };
    this.painter.paint(this.view, this.inks, ground, scale, this.quality !== "moving", has, this.skulls.some((s) => s.marked), this.eye.parallel);
    if (this.quality === "moving") this.painter.done();
    if (this.quality === "fine" && !this.warmed && this.skulls.length > 0) {
      this.warmed = true;
      const view = this.view;
      window.setTimeout(() => this.painter.warm(view), WARM_MS);
    }
    this.events.painted();
  }

  /** True while pictures are quick ones. */
  get moving(): boolean {
    return this.quality === "moving";
  }

  /** True when the picture shown is the finest and nothing is under way. */
  get settled(): boolean {
    return this.asked === 0 && this.travel === null && this.quality === "fine";
  }

  get mmPerPx(): number {
    return this.view?.mmPerPx ?? this.eye.extent / Math.min(this.width, this.height);
  }

  get size(): { width: number; height: number } {
    return { width: this.width, height: this.height };
  }

  /** Where a point (skull mm of one specimen) lies on the stage, in CSS pixels. */
  project(point: readonly [number, number, number], id?: string): { x: number; y: number } | null {
    if (!this.view) return null;
    const at = new Vector3(...point);
    const skull = this.skulls.find((s) => s.id === id);
    if (skull) at.applyMatrix4(skull.laid).add(skull.offset);
    at.project(this.view.camera);
    if (at.z < -1 || at.z > 1) return null;
    return { x: ((at.x + 1) / 2) * this.width, y: ((1 - at.y) / 2) * this.height };
  }

  /** The line of sight through a place on the stage (CSS pixels), in stage mm. */
  sight(x: number, y: number): { origin: Vector3; direction: Vector3 } {
    if (this.view) this.ray.setFromCamera(new Vector2((x / this.width) * 2 - 1, 1 - (y / this.height) * 2), this.view.camera);
    return { origin: this.ray.ray.origin.clone(), direction: this.ray.ray.direction.clone() };
  }

  /** What lies at a place on the stage (CSS pixels). */
  at(x: number, y: number): StageHit | null {
    if (!this.view) return null;
    const { origin, direction } = this.sight(x, y);
    const clip: Vector4 = this.painter.shared.clip.value;
    let best: StageHit | null = null;
    for (const skull of this.skulls) {
      const hit = skull.hit(origin, direction, clip);
      if (hit && (best === null || hit.distance < best.distance)) best = { ...hit, id: skull.id };
    }
    return best;
  }

  tell(): StageEvents {
    return this.events;
  }

  dispose(): void {
    cancelAnimationFrame(this.asked);
    window.clearTimeout(this.refine);
    for (const skull of [...this.skulls]) this.remove(skull.id);
    this.painter.dispose();
  }
}

function spanAlong(skull: Skull, right: Vector3): [number, number] {
  const shown = skull.shown();
  if (!shown) return [0, 1];
  let low = Infinity;
  let high = -Infinity;
  for (const x of [shown.low.x, shown.high.x]) {
    for (const y of [shown.low.y, shown.high.y]) {
      for (const z of [shown.low.z, shown.high.z]) {
        const d = x * right.x + y * right.y + z * right.z;
        low = Math.min(low, d);
        high = Math.max(high, d);
      }
    }
  }
  return [low, high];
}
