import { computed, signal } from "@preact/signals";
import type { Landmark, Vec3 } from "../types";
import { lead } from "./desk";
import { leaf } from "./showing";

/** Landmarks of the leading specimen, and which one is being looked at. */
export const landmarks = signal<readonly Landmark[]>([]);
export const chosenLandmark = signal<string | null>(null);
/** Points placed for a free length, angle or area, scan mm. */
export const freePoints = signal<readonly Vec3[]>([]);

export function apply(matrix: readonly (readonly number[])[], [x, y, z]: Vec3): Vec3 {
  const row = (i: number): number => {
    const r = matrix[i] as readonly number[];
    return (r[0] as number) * x + (r[1] as number) * y + (r[2] as number) * z + (r[3] as number);
  };
  return [row(0), row(1), row(2)];
}

/** Back through a rigid 4x4 transform. */
export function applyBack(matrix: readonly (readonly number[])[], [x, y, z]: Vec3): Vec3 {
  const m = (i: number, j: number): number => (matrix[i] as readonly number[])[j] as number;
  const d = [x - m(0, 3), y - m(1, 3), z - m(2, 3)] as const;
  const column = (j: number): number => m(0, j) * d[0] + m(1, j) * d[1] + m(2, j) * d[2];
  return [column(0), column(1), column(2)];
}

export const landmarksShown = computed(() => {
  const specimen = lead.value;
  if (specimen === null || leaf.value !== "measure") return [];
  const matrix = specimen.scan.scan_to_skull;
  const named = landmarks.value.map((l) => ({
    name: l.name,
    skull: l.point_scan_mm && apply(matrix, l.point_scan_mm),
    chosen: l.name === chosenLandmark.value,
  }));
  return [...named, ...freePoints.value.map((p, i) => ({ name: `point ${i + 1}`, skull: apply(matrix, p), chosen: true }))];
});
