import { BackSide, BoxGeometry, Data3DTexture, DataTexture, FloatType, GLSL3, LinearFilter, Matrix4, Mesh, NearestFilter, RawShaderMaterial, RedFormat, RGBAFormat, RGFormat, Vector3 } from "three";
import type { LayerUniforms, Look } from "./skull";
import { CAST_FRAGMENT, CAST_VERTEX } from "./castshader";
import { visible } from "./visible";

/** The scan as it comes from the server: greys and, for each voxel, an index into `styles`. */
export interface Volume {
  shape: [number, number, number];
  /** Part of each index; 0 is none. */
  styles: number[];
  grey: Uint8Array;
  style: Uint8Array;
  /** From index (x, y, z) to skull mm. */
  toSkull: Matrix4;
  /** Grey, 0 to 1, above which a voxel counts as solid: halfway from air (or soft tissue) to bone. */
  level: number;
}

interface Header {
  shape_zyx: [number, number, number];
  index_to_scan: number[][];
  scan_to_skull: number[][];
  styles: number[];
  levels: { air: number; soft: number; bone: number };
}

/** Reads the answer of `/volume`: four bytes of length, a header as JSON, greys, styles. */
export function readVolume(data: ArrayBuffer): Volume {
  const length = new DataView(data).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length))) as Header;
  const [nz, ny, nx] = header.shape_zyx;
  const count = nx * ny * nz;
  const matrix = (rows: number[][]): Matrix4 => new Matrix4().set(...(rows.flat() as Parameters<Matrix4["set"]>));
  const unit = (v: number): number => (v > 1.5 ? v / 255 : v);
  return {
    shape: [nx, ny, nz],
    styles: header.styles,
    grey: new Uint8Array(data, 4 + length, count),
    style: new Uint8Array(data, 4 + length + count, count),
    toSkull: matrix(header.scan_to_skull).multiply(matrix(header.index_to_scan)),
    level: (unit(header.levels.air) + unit(header.levels.bone)) / 2,
  };
}

const BLOCK = 8;

/** A volume drawn by casting rays through it, each part by its own look; it takes the place of the specimen's surfaces. */
export class Cast {
  readonly mesh: Mesh<BoxGeometry, RawShaderMaterial>;
  private readonly table = new DataTexture(new Float32Array(8 * 256), 256, 2, RGBAFormat, FloatType);
  private readonly blocks: Data3DTexture;
  private readonly seen: Data3DTexture;
  private readonly labels: Data3DTexture;
  private shown = "";

  constructor(private readonly volume: Volume, firstSlot: number, shared: LayerUniforms) {
    const [nx, ny, nz] = volume.shape;
    this.seen = texture3d(new Uint8Array(2 * nx * ny * nz), nx, ny, nz, true);
    this.seen.format = RGFormat;
    this.labels = texture3d(volume.style, nx, ny, nz, false);
    const blocks = [nx, ny, nz].map((n) => Math.ceil(n / BLOCK)) as [number, number, number];
    this.blocks = texture3d(new Uint8Array(blocks[0] * blocks[1] * blocks[2]), ...blocks, false);
    this.table.minFilter = this.table.magFilter = NearestFilter;
    // The box of texture coordinates 0..1, and from there to skull mm: a voxel's middle is at (i + 0.5) / n.
    const toSkull = volume.toSkull.clone().multiply(new Matrix4().makeTranslation(-0.5, -0.5, -0.5)).multiply(new Matrix4().makeScale(nx, ny, nz));
    const material = new RawShaderMaterial({
      glslVersion: GLSL3, vertexShader: CAST_VERTEX, fragmentShader: CAST_FRAGMENT, side: BackSide,
      uniforms: {
        clip: shared.clip, parallel: shared.parallel,
        seen: { value: this.seen }, labels: { value: this.labels }, blocks: { value: this.blocks }, table: { value: this.table },
        size: { value: new Vector3(nx, ny, nz) }, level: { value: volume.level }, firstSlot: { value: firstSlot },
        toBox: { value: toSkull.clone().invert() }, look: { value: new Vector3() }, eye: { value: new Vector3() }, clipMatrix: { value: new Matrix4() },
        viewNormal: { value: new Matrix4() }, paper: shared.paper,
      },
    });
    this.mesh = new Mesh(new BoxGeometry(1, 1, 1).translate(0.5, 0.5, 0.5), material);
    this.mesh.matrixAutoUpdate = false;
    this.mesh.matrix.copy(toSkull);
    this.mesh.matrixWorldNeedsUpdate = true;
    this.mesh.frustumCulled = false;
    this.mesh.onBeforeRender = (_renderer, _scene, camera) => {
      const u = material.uniforms as Record<string, { value: unknown }>;
      (u["eye"] as { value: Vector3 }).value.setFromMatrixPosition(camera.matrixWorld);
      camera.getWorldDirection((u["look"] as { value: Vector3 }).value);
      (u["clipMatrix"] as { value: Matrix4 }).value.copy(camera.projectionMatrix).multiply(camera.matrixWorldInverse);
      (u["viewNormal"] as { value: Matrix4 }).value.copy(camera.matrixWorldInverse);
    };
  }

  /** Takes looks by part; which blocks hold anything to draw is worked out anew where presence changed. */
  wear(looks: ReadonlyMap<number, Look>): void {
    const data = this.table.image.data as Float32Array;
    const presence = new Uint8Array(256);
    // All bone is one thing to the ink, and so is what no label claims: no lines where labels are frayed.
    const bone = this.volume.styles.findIndex((part) => looks.get(part)?.bone === true);
    const boneColour = looks.get(this.volume.styles[bone] ?? -1)?.colour ?? [0.87, 0.83, 0.75];
    this.volume.styles.forEach((part, index) => {
      const look = looks.get(part);
      const how = look === undefined ? "absent" : look.presence;
      presence[index] = how === "solid" ? 2 : how === "veiled" ? 1 : 0;
      data[4 * (256 + index)] = look === undefined || look.bone ? 0 : index;
      data.set([...(look?.colour ?? boneColour), how === "solid" ? 1 : how === "veiled" ? Math.min(0.95, look?.opacity ?? 0) : 0], 4 * index);
    });
    this.table.needsUpdate = true;
    const key = presence.join("");
    if (key === this.shown) return;
    this.shown = key;
    const { grey, style, shape } = this.volume;
    const out = this.seen.image.data as unknown as Uint8Array;
    visible(grey, style, shape, (s) => presence[s] === 2, out, 0);
    visible(grey, style, shape, (s) => presence[s] === 1, out, 1);
    this.seen.needsUpdate = true;
    this.fillBlocks(out);
  }

  private fillBlocks(seen: Uint8Array): void {
    const { shape: [nx, ny, nz], level } = this.volume;
    const out = this.blocks.image.data as unknown as Uint8Array;
    const bx = Math.ceil(nx / BLOCK);
    const by = Math.ceil(ny / BLOCK);
    const least = level * 255 * 0.8;
    out.fill(0);
    for (let z = 0, i = 0; z < nz; z++) {
      for (let y = 0; y < ny; y++) {
        const row = ((z >> 3) * by + (y >> 3)) * bx;
        for (let x = 0; x < nx; x++, i++) {
          if (Math.max(seen[2 * i] as number, seen[2 * i + 1] as number) >= least) out[row + (x >> 3)] = 255;
        }
      }
    }
    this.blocks.needsUpdate = true;
  }

  dispose(): void {
    this.mesh.geometry.dispose();
    this.mesh.material.dispose();
    for (const texture of [this.table, this.blocks, this.seen, this.labels]) texture.dispose();
  }
}

function texture3d(data: Uint8Array, x: number, y: number, z: number, smooth: boolean): Data3DTexture {
  // A copy of its own, so that the array begins at a multiple of four.
  const texture = new Data3DTexture(new Uint8Array(data), x, y, z);
  texture.format = RedFormat;
  texture.minFilter = texture.magFilter = smooth ? LinearFilter : NearestFilter;
  texture.unpackAlignment = 1;
  texture.needsUpdate = true;
  return texture;
}
