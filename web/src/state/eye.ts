import { signal } from "@preact/signals";
import { Vector3 } from "three";
import type { PartInfo, View } from "../types";
import { type Eye, levelled, type Pose, pageUp, rightOf } from "../stage/camera";
import type { Stage } from "../stage/stage";
import { evidence, posed } from "./showing";

/** The stage once it stands, and the eye as the rest of the page may know it. */
export const stage = signal<Stage | null>(null);
/** Grows with every picture painted, so that what is drawn over the stage follows it. */
export const painted = signal(0);
export const eyeMoved = signal(0);
export const parallel = signal(true);

export function goToPose(pose: Pose, atOnce = false): void {
  posed.value = pose;
  evidence.value = null;
  const on = stage.value;
  if (on === null) return;
  // Presence follows by effects; the frame is that of what is then shown.
  queueMicrotask(() => {
    keepWhole(on);
    on.goTo(framed(on, new Vector3(...pose.look), new Vector3(...pose.up)), atOnce);
  });
}

function keepWhole(on: Stage): void {
  on.fit = (look, up) => framed(on, look, up);
}

/** Lays the first specimen before the eye, in left lateral view. */
export function showFirst(on: Stage): void {
  keepWhole(on);
  on.goTo(framed(on, new Vector3(-1, 0, 0), new Vector3(0, 1, 0)), true);
}

/** The eye that shows everything on the stage in a direction. */
export function framed(on: Stage, look: Vector3, up: Vector3): Eye {
  const eye: Eye = { look, up: levelled(look, up), centre: new Vector3(), extent: 1, parallel: parallel.value };
  const { width, height } = on.size;
  const side = Math.min(width, height);
  const right = rightOf(eye);
  const top = pageUp(eye);
  const n = on.skulls.length;
  const before = on.eye;
  // Specimens side by side stand along the page's horizontal of the eye that is to come.
  on.eye = eye;
  on.standApart();
  on.eye = before;
  const box = on.bounds();
  const span = (d: Vector3): [number, number] => {
    const ends = [box.min, box.max].flatMap((x) => [box.min, box.max].flatMap((y) => [box.min, box.max].map((z) => x.x * d.x + y.y * d.y + z.z * d.z)));
    return [Math.min(...ends), Math.max(...ends)];
  };
  const [left, rightmost] = span(right);
  const [low, over] = span(top);
  const wide = (rightmost - left) * (n > 1 ? 0.94 : 1);
  const high = over - low;
  eye.centre = box.getCenter(new Vector3());
  eye.extent = Math.max(1, 1.16 * Math.max((wide * side) / width, (high * side) / height));
  return eye;
}

export function goToView(view: View): void {
  const on = stage.value;
  if (on === null) return;
  const look = new Vector3(...view.look).normalize();
  const up = new Vector3(...view.up);
  if (view.centre_mm === null) {
    queueMicrotask(() => {
      keepWhole(on);
      on.goTo(framed(on, look, up));
    });
    return;
  }
  on.fit = null;
  const centre = new Vector3(...view.centre_mm);
  const first = on.skulls[0];
  if (first) centre.add(first.offset);
  on.goTo({ look, up: levelled(look, up), centre, extent: Math.max(3, (view.extent_mm ?? 20) * 1.3), parallel: parallel.value });
}

/** Brings parts to the middle without turning. */
export function centreOn(parts: readonly PartInfo[], nearer = false): void {
  const on = stage.value;
  if (on === null || parts.length === 0) return;
  on.fit = null;
  const centre = new Vector3();
  for (const part of parts) centre.add(new Vector3(...part.centroid_skull_mm));
  centre.multiplyScalar(1 / parts.length);
  const first = on.skulls[0];
  if (first) centre.add(first.offset);
  const aim = on.aim;
  on.goTo({ ...aim, look: aim.look.clone(), up: aim.up.clone(), centre, extent: nearer ? Math.min(aim.extent, 14) : aim.extent });
}

export function showWhole(): void {
  const on = stage.value;
  if (on === null) return;
  keepWhole(on);
  on.goTo(framed(on, on.aim.look.clone(), on.aim.up.clone()));
}

export function setParallel(value: boolean): void {
  parallel.value = value;
  const on = stage.value;
  if (on !== null) on.goTo({ ...on.aim, look: on.aim.look.clone(), up: on.aim.up.clone(), centre: on.aim.centre.clone(), parallel: value });
}
