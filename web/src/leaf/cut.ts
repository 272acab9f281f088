import { computed } from "@preact/signals";
import { Vector3 } from "three";
import type { Cutting } from "../api";
import { chosenPart } from "../state/desk";
import { planes, sliceKey, sliceShift, sliceTurn } from "../state/slicing";
import type { Plane, Vec3 } from "../types";

const vec = (v: Vec3): Vector3 => new Vector3(...v);
export const triple = (v: Vector3): Vec3 => [Number(v.x.toFixed(4)), Number(v.y.toFixed(4)), Number(v.z.toFixed(4))];

/** The plane snapped to; where none is, that of the chosen part, else the first. */
export const snapped = computed<Plane | null>(() => {
  const all = planes.value;
  return all.find((p) => p.key === sliceKey.value) ?? all.find((p) => p.of !== null && p.of === chosenPart.value) ?? all[0] ?? null;
});

/** The slice as it lies now, moved and turned off its plane; scan mm, `px` along the longer side to be filled in. */
export const slicing = computed<Omit<Cutting, "px"> | null>(() => {
  const plane = snapped.value;
  if (plane === null) return null;
  const u = vec(plane.u).normalize();
  const v = vec(plane.v).normalize();
  const [about, over] = sliceTurn.value;
  // About the picture's vertical, then about its horizontal.
  u.applyAxisAngle(v, (about * Math.PI) / 180);
  v.applyAxisAngle(u, (over * Math.PI) / 180);
  const n = new Vector3().crossVectors(u, v);
  const origin = vec(plane.origin_scan_mm).addScaledVector(n, sliceShift.value);
  return { origin: triple(origin), u: triple(u), v: triple(v), width: plane.width_mm, height: plane.height_mm };
});

/** A place on the picture (shares of its width and height) in scan mm. */
export function placeOn(cut: Omit<Cutting, "px">, x: number, y: number): Vec3 {
  return triple(vec(cut.origin).addScaledVector(vec(cut.u), (x - 0.5) * cut.width).addScaledVector(vec(cut.v), (y - 0.5) * cut.height));
}

/** Where a scan point lies on the picture, and how far off the plane, mm. */
export function placeIn(cut: Omit<Cutting, "px">, point: Vec3): { x: number; y: number; off: number } {
  const u = vec(cut.u);
  const v = vec(cut.v);
  const d = vec(point).sub(vec(cut.origin));
  return { x: d.dot(u) / cut.width + 0.5, y: d.dot(v) / cut.height + 0.5, off: d.dot(u.clone().cross(v)) };
}
