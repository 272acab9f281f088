import {
  Box3, BufferAttribute, BufferGeometry, type Color, DataTexture, DoubleSide, FloatType, FrontSide, GLSL3, Group, Mesh, NearestFilter,
  Matrix4, RawShaderMaterial, RGBAFormat, Sphere, type Texture, Vector3, Vector4,
} from "three";
import type { Presence } from "../types";
import { nearestHit, type Hit } from "./picking";
import { SOLID_FRAGMENT, SURFACE_VERTEX, VEIL_FRAGMENT } from "./shaders";
import { attributesOf, type Piece, type Surfaces } from "./surfaces";

/** How one piece is drawn. Colour in 0..1; `lift` in skull mm. */
export interface Look {
  presence: Presence;
  colour: readonly [number, number, number];
  opacity: number;
  lift: readonly [number, number, number];
  chosen: boolean;
  hovered: boolean;
  /** Which veil it belongs to: bone is veiled apart from all else, so that veiled teeth show through it. */
  bone: boolean;
}

export type Layer = "solid" | "bone" | "other";
export const LAYERS: readonly Layer[] = ["solid", "bone", "other"];

export interface LayerUniforms {
  clip: { value: Vector4 };
  solidDepth: { value: Texture | null };
  parallel: { value: number };
  paper: { value: Color };
}

/** A specimen as it stands on the stage: its surfaces in three layers, drawn with one call each. */
export class Skull {
  readonly groups: Record<Layer, Group> = { solid: new Group(), bone: new Group(), other: new Group() };
  readonly offset = new Vector3();
  /** How it is laid on the first specimen: its own skull mm to those of the first. */
  readonly laid = new Matrix4();
  private readonly unlaid = new Matrix4();
  private isLaid = false;
  private readonly meshes: Record<Layer, Mesh<BufferGeometry, RawShaderMaterial>>;
  private readonly coarse: Record<Layer, BufferGeometry>;
  private readonly fine: Record<Layer, BufferGeometry>;
  private readonly style: DataTexture;
  private looks: Look[] = [];

  constructor(readonly id: string, readonly surfaces: Surfaces, readonly firstSlot: number, shared: LayerUniforms) {
    const count = Math.max(1, surfaces.pieces.length);
    this.style = new DataTexture(new Float32Array(8 * count), count, 2, RGBAFormat, FloatType);
    this.style.minFilter = this.style.magFilter = NearestFilter;
    const attributes = attributesOf(surfaces);
    const shape = (most: number): BufferGeometry => {
      const geometry = new BufferGeometry();
      for (const [name, attribute] of Object.entries(attributes)) geometry.setAttribute(name, attribute);
      geometry.setIndex(new BufferAttribute(new Uint32Array(most), 1));
      geometry.setDrawRange(0, 0);
      geometry.boundingSphere = new Sphere(new Vector3(), Infinity);
      return geometry;
    };
    const shapes = (most: number): Record<Layer, BufferGeometry> => ({ solid: shape(most), bone: shape(most), other: shape(most) });
    this.fine = shapes(surfaces.index.length);
    this.coarse = shapes(surfaces.coarse.length);
    const make = (layer: Layer): Mesh<BufferGeometry, RawShaderMaterial> => {
      const geometry = this.fine[layer];
      const material = new RawShaderMaterial({
        glslVersion: GLSL3,
        vertexShader: SURFACE_VERTEX,
        fragmentShader: layer === "solid" ? SOLID_FRAGMENT : VEIL_FRAGMENT,
        uniforms: { ...shared, style: { value: this.style }, firstSlot: { value: firstSlot }, veil: { value: 1 }, laid: { value: this.laid } },
        side: FrontSide,
      });
      const mesh = new Mesh(geometry, material);
      mesh.frustumCulled = false;
      this.groups[layer].add(mesh);
      return mesh;
    };
    this.meshes = { solid: make("solid"), bone: make("bone"), other: make("other") };
  }

  /** How each piece is drawn now. */
  get worn(): readonly Look[] {
    return this.looks;
  }

  get pieces(): readonly Piece[] {
    return this.surfaces.pieces;
  }

  /** Not drawn as surfaces, since its scan is cast in their place; it can still be pointed at. */
  set hidden(hidden: boolean) {
    for (const layer of LAYERS) this.groups[layer].visible = !hidden;
  }

  get hidden(): boolean {
    return !this.groups.solid.visible;
  }

  /** True where the layer has anything to draw. */
  has(layer: Layer): boolean {
    return this.fine[layer].drawRange.count > 0;
  }

  /** True where any part is chosen or pointed at. */
  get marked(): boolean {
    return this.looks.some((look) => look.chosen || look.hovered);
  }

  /** Draws the coarse surfaces, or the fine ones. */
  setCoarse(coarse: boolean): void {
    for (const layer of LAYERS) this.meshes[layer].geometry = (coarse ? this.coarse : this.fine)[layer];
  }

  moveTo(offset: Vector3): void {
    this.offset.copy(offset);
    for (const layer of LAYERS) {
      const group = this.groups[layer];
      group.matrixAutoUpdate = false;
      group.matrix.makeTranslation(offset).multiply(this.laid);
      group.matrixWorldNeedsUpdate = true;
    }
  }

  /** Lays it otherwise; null: in its own skull pose. Returns whether that is a change. */
  lay(matrix: Matrix4 | null): boolean {
    const next = matrix ?? new Matrix4();
    if (next.equals(this.laid)) return false;
    this.laid.copy(next);
    this.unlaid.copy(next).invert();
    this.isLaid = matrix !== null;
    this.moveTo(this.offset.clone());
    return true;
  }

  clipOpen(open: boolean): void {
    for (const layer of LAYERS) this.meshes[layer].material.side = open ? DoubleSide : FrontSide;
  }

  /** Takes one look for each piece. Indices are laid out anew only where presence has changed. */
  wear(looks: Look[]): void {
    const data = this.style.image.data as Float32Array;
    const count = this.pieces.length;
    let same = looks.length === this.looks.length;
    for (let slot = 0; slot < count; slot++) {
      const look = looks[slot];
      if (look === undefined) continue;
      const enamel = this.pieces[slot]?.enamel === true;
      data.set([...look.colour, look.opacity], 4 * slot);
      const mark = (enamel ? 1 : 0) + 2 * (look.chosen ? 1 : look.hovered ? 2 : 0);
      data.set([...look.lift, mark], 4 * (count + slot));
      const before = this.looks[slot];
      same &&= before !== undefined && before.presence === look.presence && before.bone === look.bone;
    }
    this.style.needsUpdate = true;
    this.looks = looks;
    if (!same) this.layOut();
  }

  private layOut(): void {
    this.layInto(this.fine, this.surfaces.index, (p) => [p.start, p.count]);
    this.layInto(this.coarse, this.surfaces.coarse, (p) => [p.coarseStart, p.coarseCount]);
  }

  private layInto(shapes: Record<Layer, BufferGeometry>, from: Uint32Array, range: (piece: Piece) => [number, number]): void {
    const used: Record<Layer, number> = { solid: 0, bone: 0, other: 0 };
    this.pieces.forEach((piece, slot) => {
      const look = this.looks[slot];
      if (look === undefined || look.presence === "absent") return;
      const layer = look.presence === "solid" ? "solid" : look.bone ? "bone" : "other";
      const into = shapes[layer].index as BufferAttribute;
      const [start, count] = range(piece);
      into.array.set(from.subarray(start, start + count), used[layer]);
      used[layer] += count;
    });
    for (const layer of LAYERS) {
      const geometry = shapes[layer];
      const index = geometry.index as BufferAttribute;
      index.clearUpdateRanges();
      index.addUpdateRange(0, used[layer]);
      index.needsUpdate = true;
      geometry.setDrawRange(0, used[layer]);
    }
  }

  /** What a ray (skull mm of the stage) meets first: solid parts before veiled ones. */
  hit(from: Vector3, along: Vector3, clip: Vector4): Hit | null {
    const local = from.clone().sub(this.offset);
    const way = along.clone();
    const cut = clip.clone();
    if (this.isLaid) {
      // Direction and plane are carried back unscaled, so that distances along the ray stay those of the stage.
      way.copy(local).add(along).applyMatrix4(this.unlaid);
      local.applyMatrix4(this.unlaid);
      way.sub(local);
      const e = this.laid.elements;
      cut.set(
        clip.x * e[0] + clip.y * e[1] + clip.z * e[2], clip.x * e[4] + clip.y * e[5] + clip.z * e[6],
        clip.x * e[8] + clip.y * e[9] + clip.z * e[10], clip.w - (clip.x * e[12] + clip.y * e[13] + clip.z * e[14]),
      );
    }
    for (const presence of ["solid", "veiled"] as const) {
      const wanted = (slot: number): boolean => this.looks[slot]?.presence === presence;
      const lift = (slot: number): readonly [number, number, number] => this.looks[slot]?.lift ?? [0, 0, 0];
      const found = nearestHit(this.surfaces, local, way, wanted, lift, cut);
      if (found) return found;
    }
    return null;
  }

  /** The box of all that is shown, with its lift; null where nothing is. */
  shown(): { low: Vector3; high: Vector3 } | null {
    const low = new Vector3(Infinity, Infinity, Infinity);
    const high = new Vector3(-Infinity, -Infinity, -Infinity);
    this.pieces.forEach((piece, slot) => {
      const look = this.looks[slot];
      if (look === undefined || look.presence === "absent") return;
      const lift = new Vector3(...look.lift);
      const box = new Box3(piece.low.clone().add(lift), piece.high.clone().add(lift));
      if (this.isLaid) box.applyMatrix4(this.laid);
      low.min(box.min);
      high.max(box.max);
    });
    return low.x <= high.x ? { low, high } : null;
  }

  dispose(): void {
    for (const layer of LAYERS) {
      this.fine[layer].dispose();
      this.coarse[layer].dispose();
      this.meshes[layer].material.dispose();
    }
    this.style.dispose();
  }
}
