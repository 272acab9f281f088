import { BufferAttribute, Mesh, type Object3D, Vector3 } from "three";
import { GLTFLoader } from "three/addons/loaders/GLTFLoader.js";

/** One surface within the merged arrays: a part, or the enamel of a tooth. */
export interface Piece {
  part: number;
  enamel: boolean;
  /** First index and number of indices (three to a triangle). */
  start: number;
  count: number;
  low: Vector3;
  high: Vector3;
}

/** All surfaces of a specimen as one set of arrays, skull mm; `slot` of a vertex is the number of its piece. */
export interface Surfaces {
  positions: Float32Array;
  normals: Int8Array;
  slots: Uint16Array;
  index: Uint32Array;
  pieces: Piece[];
}

const NAME = /^(part|enamel)-(\d+)$/;

/** Reads the meshes of a specimen: nodes `part-N` and `enamel-N`. Throws `Error` where the file is no such thing. */
export async function readSurfaces(file: ArrayBuffer): Promise<Surfaces> {
  const { scene } = await new GLTFLoader().parseAsync(file, "");
  scene.updateMatrixWorld(true);
  const found: { part: number; enamel: boolean; mesh: Mesh }[] = [];
  scene.traverse((node) => {
    if (!(node instanceof Mesh)) return;
    const named = nameAbove(node);
    if (named) found.push({ part: Number(named[2]), enamel: named[1] === "enamel", mesh: node });
  });
  return merge(found);
}

function nameAbove(node: Object3D): RegExpExecArray | null {
  for (let at: Object3D | null = node; at !== null; at = at.parent) {
    const named = NAME.exec(at.name);
    if (named) return named;
  }
  return null;
}

function merge(found: { part: number; enamel: boolean; mesh: Mesh }[]): Surfaces {
  let vertices = 0;
  let indices = 0;
  for (const { mesh } of found) {
    vertices += mesh.geometry.getAttribute("position").count;
    indices += mesh.geometry.index?.count ?? mesh.geometry.getAttribute("position").count;
  }
  const positions = new Float32Array(3 * vertices);
  const normals = new Int8Array(4 * vertices);
  const slots = new Uint16Array(vertices);
  const index = new Uint32Array(indices);
  const pieces: Piece[] = [];
  const at = new Vector3();
  let vertex = 0;
  let place = 0;
  found.forEach(({ part, enamel, mesh }, slot) => {
    const geometry = mesh.geometry;
    const source = geometry.getAttribute("position");
    const low = new Vector3(Infinity, Infinity, Infinity);
    const high = new Vector3(-Infinity, -Infinity, -Infinity);
    const own = new Float32Array(3 * source.count);
    for (let i = 0; i < source.count; i++) {
      at.fromBufferAttribute(source, i).applyMatrix4(mesh.matrixWorld).toArray(own, 3 * i);
      low.min(at);
      high.max(at);
    }
    const order = geometry.index?.array ?? Uint32Array.from({ length: source.count }, (_, i) => i);
    positions.set(own, 3 * vertex);
    const given = geometry.getAttribute("normal");
    normals.set(given ? normalsGiven(given) : normalsOf(own, order), 4 * vertex);
    slots.fill(slot, vertex, vertex + source.count);
    for (let i = 0; i < order.length; i++) index[place + i] = (order[i] as number) + vertex;
    pieces.push({ part, enamel, start: place, count: order.length, low, high });
    vertex += source.count;
    place += order.length;
    geometry.dispose();
  });
  return { positions, normals, slots, index, pieces };
}

function normalsGiven(given: { count: number; getX(i: number): number; getY(i: number): number; getZ(i: number): number }): Int8Array {
  const out = new Int8Array(4 * given.count);
  for (let i = 0; i < given.count; i++) {
    out[4 * i] = Math.round(127 * given.getX(i));
    out[4 * i + 1] = Math.round(127 * given.getY(i));
    out[4 * i + 2] = Math.round(127 * given.getZ(i));
  }
  return out;
}

/** Vertex normals weighted by area, in 127ths, four bytes each. */
function normalsOf(positions: Float32Array, index: ArrayLike<number>): Int8Array {
  const sums = new Float32Array(positions.length);
  for (let i = 0; i + 2 < index.length; i += 3) {
    const a = 3 * (index[i] as number);
    const b = 3 * (index[i + 1] as number);
    const c = 3 * (index[i + 2] as number);
    const ax = positions[a]!, ay = positions[a + 1]!, az = positions[a + 2]!;
    const ux = positions[b]! - ax, uy = positions[b + 1]! - ay, uz = positions[b + 2]! - az;
    const vx = positions[c]! - ax, vy = positions[c + 1]! - ay, vz = positions[c + 2]! - az;
    const nx = uy * vz - uz * vy, ny = uz * vx - ux * vz, nz = ux * vy - uy * vx;
    for (const at of [a, b, c]) {
      sums[at]! += nx;
      sums[at + 1]! += ny;
      sums[at + 2]! += nz;
    }
  }
  const count = positions.length / 3;
  const out = new Int8Array(4 * count);
  for (let i = 0; i < count; i++) {
    const x = sums[3 * i]!, y = sums[3 * i + 1]!, z = sums[3 * i + 2]!;
    const scale = 127 / (Math.hypot(x, y, z) || 1);
    out[4 * i] = Math.round(x * scale);
    out[4 * i + 1] = Math.round(y * scale);
    out[4 * i + 2] = Math.round(z * scale);
  }
  return out;
}

/** The arrays as attributes for drawing. */
export function attributesOf(surfaces: Surfaces): Record<"position" | "normal" | "slot", BufferAttribute> {
  return {
    position: new BufferAttribute(surfaces.positions, 3),
    normal: new BufferAttribute(surfaces.normals, 4, true),
    slot: new BufferAttribute(new Float32Array(surfaces.slots), 1),
  };
}
