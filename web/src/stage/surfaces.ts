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
  /** The same within `coarse`. */
  coarseStart: number;
  coarseCount: number;
}

/** All surfaces of a specimen as one set of arrays, skull mm; `slot` of a vertex is the number of its piece. */
export interface Surfaces {
  positions: Float32Array;
  normals: Int8Array;
  slots: Uint16Array;
  index: Uint32Array;
  /** The same surfaces of far fewer triangles over the same vertices, to be drawn while moving without a GPU. */
  coarse: Uint32Array;
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
    pieces.push({ part, enamel, start: place, count: order.length, low, high, coarseStart: 0, coarseCount: 0 });
    vertex += source.count;
    place += order.length;
    geometry.dispose();
  });
  return { positions, normals, slots, index, coarse: coarsened(positions, index, pieces), pieces };
}

/** Triangles that all coarse surfaces of a specimen may have together, about. */
const COARSE = 9_000;

/**
 * Vertices that lie in one cell become the first of them, and triangles that collapse are left out (vertex clustering:
 * Rossignac & Borrel 1993, in Modeling in Computer Graphics, Springer: 455). Cells are so wide that a piece keeps its
 * share of the triangles; small pieces, such as teeth, keep at least some dozens.
 */
function coarsened(positions: Float32Array, index: Uint32Array, pieces: Piece[]): Uint32Array {
  const kept: number[] = [];
  const total = index.length / 3;
  for (const piece of pieces) {
    piece.coarseStart = kept.length;
    const wanted = Math.max(90, (piece.count / 3 / Math.max(1, total)) * COARSE);
    if (piece.count / 3 <= wanted) {
      for (let i = piece.start; i < piece.start + piece.count; i++) kept.push(index[i]!);
    } else cluster(positions, index, piece, wanted, kept);
    piece.coarseCount = kept.length - piece.coarseStart;
  }
  return Uint32Array.from(kept);
}

function cluster(positions: Float32Array, index: Uint32Array, piece: Piece, wanted: number, kept: number[]): void {
  // A closed surface over cells of width h keeps about twice its area over h squared in triangles.
  let area = 0;
  for (let i = piece.start; i < piece.start + piece.count; i += 3) area += areaOf(positions, index[i]!, index[i + 1]!, index[i + 2]!);
  const width = Math.sqrt((2 * area) / wanted);
  const first = new Map<number, number>();
  const { x: lx, y: ly, z: lz } = piece.low;
  const inCell = (vertex: number): number => {
    const i = Math.floor((positions[3 * vertex]! - lx) / width);
    const j = Math.floor((positions[3 * vertex + 1]! - ly) / width);
    const k = Math.floor((positions[3 * vertex + 2]! - lz) / width);
    const key = (i * 4096 + j) * 4096 + k;
    const known = first.get(key);
    if (known !== undefined) return known;
    first.set(key, vertex);
    return vertex;
  };
  for (let i = piece.start; i < piece.start + piece.count; i += 3) {
    const a = inCell(index[i]!), b = inCell(index[i + 1]!), c = inCell(index[i + 2]!);
    if (a !== b && b !== c && a !== c) kept.push(a, b, c);
  }
}

function areaOf(positions: Float32Array, i: number, j: number, k: number): number {
  const a = 3 * i, b = 3 * j, c = 3 * k;
  const ux = positions[b]! - positions[a]!, uy = positions[b + 1]! - positions[a + 1]!, uz = positions[b + 2]! - positions[a + 2]!;
  const vx = positions[c]! - positions[a]!, vy = positions[c + 1]! - positions[a + 1]!, vz = positions[c + 2]! - positions[a + 2]!;
  return Math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx) / 2;
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
