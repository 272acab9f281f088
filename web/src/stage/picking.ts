import type { Vector3, Vector4 } from "three";
import type { Surfaces } from "./surfaces";

export interface Hit {
  slot: number;
  part: number;
  distance: number;
  /** Skull mm, on the part where it lies in the scan (lift taken back). */
  point: [number, number, number];
}

type Triple = readonly [number, number, number];

/**
 * The nearest triangle that a ray meets among the wanted pieces (Möller & Trumbore 1997, J. Graphics Tools 2: 21). The
 * clip plane takes away all points with dot(p, clip.xyz) > clip.w.
 */
export function nearestHit(
  surfaces: Surfaces, from: Vector3, along: Vector3, wanted: (slot: number) => boolean, lift: (slot: number) => Triple, clip: Vector4,
): Hit | null {
  const { positions, index, pieces } = surfaces;
  let best = Infinity;
  let slotOf = -1;
  const dx = along.x, dy = along.y, dz = along.z;
  pieces.forEach((piece, slot) => {
    if (!wanted(slot)) return;
    const [lx, ly, lz] = lift(slot);
    const ox = from.x - lx, oy = from.y - ly, oz = from.z - lz;
    if (!meetsBox(ox, oy, oz, along, piece.low, piece.high, best)) return;
    for (let i = piece.start; i < piece.start + piece.count; i += 3) {
      const a = 3 * index[i]!, b = 3 * index[i + 1]!, c = 3 * index[i + 2]!;
      const ax = positions[a]!, ay = positions[a + 1]!, az = positions[a + 2]!;
      const e1x = positions[b]! - ax, e1y = positions[b + 1]! - ay, e1z = positions[b + 2]! - az;
      const e2x = positions[c]! - ax, e2y = positions[c + 1]! - ay, e2z = positions[c + 2]! - az;
      const px = dy * e2z - dz * e2y, py = dz * e2x - dx * e2z, pz = dx * e2y - dy * e2x;
      const det = e1x * px + e1y * py + e1z * pz;
      if (det > -1e-12 && det < 1e-12) continue;
      const tx = ox - ax, ty = oy - ay, tz = oz - az;
      const u = (tx * px + ty * py + tz * pz) / det;
      if (u < 0 || u > 1) continue;
      const qx = ty * e1z - tz * e1y, qy = tz * e1x - tx * e1z, qz = tx * e1y - ty * e1x;
      const v = (dx * qx + dy * qy + dz * qz) / det;
      if (v < 0 || u + v > 1) continue;
      const t = (e2x * qx + e2y * qy + e2z * qz) / det;
      if (t <= 0 || t >= best) continue;
      const x = ox + t * dx, y = oy + t * dy, z = oz + t * dz;
      if (x * clip.x + y * clip.y + z * clip.z > clip.w) continue;
      best = t;
      slotOf = slot;
    }
  });
  const piece = pieces[slotOf];
  if (piece === undefined) return null;
  const [lx, ly, lz] = lift(slotOf);
  return {
    slot: slotOf,
    part: piece.part,
    distance: best,
    point: [from.x - lx + best * dx, from.y - ly + best * dy, from.z - lz + best * dz],
  };
}

function meetsBox(ox: number, oy: number, oz: number, along: Vector3, low: Vector3, high: Vector3, best: number): boolean {
  let near = 0;
  let far = best;
  const axes = [[ox, along.x, low.x, high.x], [oy, along.y, low.y, high.y], [oz, along.z, low.z, high.z]] as const;
  for (const [o, d, a, b] of axes) {
    if (Math.abs(d) < 1e-12) {
      if (o < a || o > b) return false;
      continue;
    }
    const t1 = (a - o) / d, t2 = (b - o) / d;
    near = Math.max(near, Math.min(t1, t2));
    far = Math.min(far, Math.max(t1, t2));
    if (near > far) return false;
  }
  return true;
}
