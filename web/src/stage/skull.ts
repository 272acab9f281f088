import {
  BufferAttribute, BufferGeometry, type Color, DataTexture, DoubleSide, FloatType, FrontSide, GLSL3, Group, Mesh, NearestFilter,
  RawShaderMaterial, RGBAFormat, Sphere, type Texture, Vector3, Vector4,
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
  private readonly meshes: Record<Layer, Mesh<BufferGeometry, RawShaderMaterial>>;
  private readonly style: DataTexture;
  private looks: Look[] = [];

  constructor(readonly id: string, readonly surfaces: Surfaces, readonly firstSlot: number, shared: LayerUniforms) {
    const count = Math.max(1, surfaces.pieces.length);
    this.style = new DataTexture(new Float32Array(8 * count), count, 2, RGBAFormat, FloatType);
    this.style.minFilter = this.style.magFilter = NearestFilter;
    const attributes = attributesOf(surfaces);
    const make = (layer: Layer): Mesh<BufferGeometry, RawShaderMaterial> => {
      const geometry = new BufferGeometry();
      for (const [name, attribute] of Object.entries(attributes)) geometry.setAttribute(name, attribute);
      geometry.setIndex(new BufferAttribute(new Uint32Array(surfaces.index.length), 1));
      geometry.setDrawRange(0, 0);
      geometry.boundingSphere = new Sphere(new Vector3(), Infinity);
      const material = new RawShaderMaterial({
        glslVersion: GLSL3,
        vertexShader: SURFACE_VERTEX,
        fragmentShader: layer === "solid" ? SOLID_FRAGMENT : VEIL_FRAGMENT,
        uniforms: { ...shared, style: { value: this.style }, firstSlot: { value: firstSlot }, veil: { value: 1 } },
        side: FrontSide,
      });
      const mesh = new Mesh(geometry, material);
      mesh.frustumCulled = false;
      this.groups[layer].add(mesh);
      return mesh;
    };
    this.meshes = { solid: make("solid"), bone: make("bone"), other: make("other") };
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
    return this.meshes[layer].geometry.drawRange.count > 0;
  }

  moveTo(offset: Vector3): void {
    this.offset.copy(offset);
    for (const layer of LAYERS) this.groups[layer].position.copy(offset);
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
    const used: Record<Layer, number> = { solid: 0, bone: 0, other: 0 };
    this.pieces.forEach((piece, slot) => {
      const look = this.looks[slot];
      if (look === undefined || look.presence === "absent") return;
      const layer = look.presence === "solid" ? "solid" : look.bone ? "bone" : "other";
      const into = this.meshes[layer].geometry.index as BufferAttribute;
      into.array.set(this.surfaces.index.subarray(piece.start, piece.start + piece.count), used[layer]);
      used[layer] += piece.count;
    });
    for (const layer of LAYERS) {
      const geometry = this.meshes[layer].geometry;
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
    for (const presence of ["solid", "veiled"] as const) {
      const wanted = (slot: number): boolean => this.looks[slot]?.presence === presence;
      const lift = (slot: number): readonly [number, number, number] => this.looks[slot]?.lift ?? [0, 0, 0];
      const found = nearestHit(this.surfaces, local, along, wanted, lift, clip);
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
      low.min(piece.low.clone().add(lift));
      high.max(piece.high.clone().add(lift));
    });
    return low.x <= high.x ? { low, high } : null;
  }

  dispose(): void {
    for (const layer of LAYERS) {
      this.meshes[layer].geometry.dispose();
      this.meshes[layer].material.dispose();
    }
    this.style.dispose();
  }
}
