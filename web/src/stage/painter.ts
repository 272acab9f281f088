import {
  BufferAttribute, BufferGeometry, Color, DepthTexture, FloatType, GLSL3, type IUniform, LinearFilter, Matrix4, Mesh, NearestFilter,
  RawShaderMaterial, Scene, UnsignedByteType, Vector2, Vector4, WebGLRenderer, WebGLRenderTarget,
} from "three";
import type { Optics } from "./camera";
import { COMPOSE_FRAGMENT, COPY_FRAGMENT, SCREEN_VERTEX } from "./shaders";
import { LAYERS, type Layer, type LayerUniforms } from "./skull";

export interface Inks {
  paper: Color;
  ink: Color;
  veilInk: Color;
  line: Color;
  chosen: Color;
}

export interface GroundPlace {
  y: number;
  x: number;
  z: number;
  reach: number;
}

/**
 * Paints the stage: three layers (solid, veiled bone, other veiled parts), each into a target of its own with piece
 * numbers and depth, then paper, millimetre ground, shade and ink, in one pass over the screen.
 */
export class Painter {
  readonly renderer: WebGLRenderer;
  readonly scenes: Record<Layer, Scene> = { solid: new Scene(), bone: new Scene(), other: new Scene() };
  readonly shared: LayerUniforms = {
    clip: { value: new Vector4(0, 0, 0, 1) },
    solidDepth: { value: null },
    parallel: { value: 1 },
    paper: { value: new Color(1, 1, 1) },
  };
  private readonly targets: Record<Layer, WebGLRenderTarget>;
  /** Those of pictures while the eye moves: of their own, so that nothing is laid out anew when it begins and ends. */
  private readonly small: Record<Layer, WebGLRenderTarget>;
  private readonly page: WebGLRenderTarget;
  private readonly compose: RawShaderMaterial;
  /** The same with fewer looks about each pixel, for pictures while the eye moves. */
  private readonly quick: RawShaderMaterial;
  private readonly copy: RawShaderMaterial;
  private readonly screen = new Scene();
  private readonly pixel = new Uint8Array(4);
  private readonly sheet: Mesh<BufferGeometry, RawShaderMaterial>;
  /** Size in CSS pixels, pixels to one of these, and what share of them the canvas has now. */
  private readonly box = new Vector2(1, 1);
  private ratio = 1;
  private share = 0;
  /** Whether the browser says that it draws by software. */
  readonly bySoftware: boolean;

  constructor(canvas: HTMLCanvasElement) {
    this.renderer = new WebGLRenderer({ canvas, antialias: false, alpha: false, preserveDrawingBuffer: true, powerPreference: "high-performance" });
    this.renderer.autoClear = false;
    this.renderer.info.autoReset = false;
    this.targets = { solid: layerTarget(), bone: layerTarget(), other: layerTarget() };
    this.small = { solid: layerTarget(), bone: layerTarget(), other: layerTarget() };
    this.page = new WebGLRenderTarget(4, 4, { minFilter: LinearFilter, magFilter: LinearFilter, depthBuffer: false });
    this.shared.solidDepth.value = this.targets.solid.depthTexture;
    const uniforms = this.composeUniforms();
    this.compose = screenMaterial(COMPOSE_FRAGMENT, uniforms);
    this.quick = screenMaterial(`#define QUICK\n${COMPOSE_FRAGMENT}`, uniforms);
    this.bySoftware = drawsBySoftware(this.renderer.getContext());
    this.copy = screenMaterial(COPY_FRAGMENT, { picture: { value: this.page.texture } });
    const triangle = new BufferGeometry();
    triangle.setAttribute("position", new BufferAttribute(new Float32Array([-1, -1, 0, 3, -1, 0, -1, 3, 0]), 3));
    this.sheet = new Mesh(triangle, this.compose);
    this.sheet.frustumCulled = false;
    this.screen.add(this.sheet);
  }

  private composeUniforms(): Record<string, IUniform> {
    const u: Record<string, IUniform> = {};
    for (const layer of LAYERS) for (const what of ["", "Piece", "Depth"]) u[`${layer}${what}`] = { value: null };
    for (const name of ["ground", "groundReach", "mmPerPx", "inkWidth", "near", "far", "parallel", "shadeMm"]) u[name] = { value: 0 };
    for (const name of ["paper", "ink", "veilInk", "line", "chosen"]) u[name] = { value: new Color() };
    return {
      ...u,
      marked: { value: false }, hasBone: { value: false }, hasOther: { value: false }, fine: { value: false },
      fromClip: { value: new Matrix4() }, size: { value: new Vector2() }, groundCentre: { value: new Vector2() },
    };
  }

  resize(width: number, height: number, ratio: number): void {
    this.box.set(width, height);
    this.ratio = ratio;
    this.share = 0;
  }

  /** Gives the canvas a share of its pixels: while it has few, the browser enlarges it, and nothing is copied. */
  private take(share: number): Vector2 {
    if (share !== this.share) this.renderer.setDrawingBufferSize(this.box.x, this.box.y, this.ratio * share);
    this.share = share;
    return this.renderer.getDrawingBufferSize(new Vector2());
  }

  /**
   * Draws one picture. `scale` is its resolution against that of the screen: below 1 the canvas itself is smaller, above
   * 1 the picture is drawn larger and copied. `fine` adds shade; what is not fine looks less far about each pixel.
   * `mmPerPx` of the optics is per CSS pixel.
   */
  paint(view: Optics, inks: Inks, ground: GroundPlace, scale: number, fine: boolean, has: Record<Layer, boolean>, marked: boolean, parallel: boolean): void {
    const canvas = this.take(Math.min(1, scale));
    const over = Math.max(1, scale);
    const width = Math.max(8, Math.round(canvas.x * over));
    const height = Math.max(8, Math.round(canvas.y * over));
    this.shared.parallel.value = parallel ? 1 : 0;
    this.shared.paper.value.copy(inks.paper);
    const targets = scale < 1 ? this.small : this.targets;
    this.look(targets);
    for (const layer of LAYERS) {
      if (layer !== "solid" && !has[layer]) continue;
      const target = targets[layer];
      if (target.width !== width || target.height !== height) target.setSize(width, height);
      this.renderer.setRenderTarget(target);
      this.renderer.setClearColor(0x000000, 0);
      this.renderer.clear(true, true, false);
      this.renderer.render(this.scenes[layer], view.camera);
    }
    const u = this.compose.uniforms;
    const set = (name: string, value: unknown): void => {
      (u[name] as IUniform).value = value;
    };
    const cssHeight = this.box.y;
    const perPx = (view.mmPerPx * cssHeight) / height;
    set("marked", marked);
    set("hasBone", has.bone);
    set("hasOther", has.other);
    set("fine", fine);
    (u["fromClip"] as IUniform<Matrix4>).value.copy(view.camera.projectionMatrix).multiply(view.camera.matrixWorldInverse).invert();
    (u["size"] as IUniform<Vector2>).value.set(width, height);
    for (const name of ["paper", "ink", "veilInk", "line", "chosen"] as const) set(name, inks[name]);
    set("ground", ground.y);
    set("groundReach", ground.reach);
    (u["groundCentre"] as IUniform<Vector2>).value.set(ground.x, ground.z);
    set("mmPerPx", perPx);
    set("inkWidth", Math.max(1, height / cssHeight) * 0.9);
    set("near", view.near);
    set("far", view.far);
    set("parallel", parallel ? 1 : 0);
    set("shadeMm", Math.max(view.mmPerPx * 14, ground.reach * 0.035));
    this.sheet.material = fine ? this.compose : this.quick;
    if (over === 1) {
      this.renderer.setRenderTarget(null);
      this.renderer.render(this.screen, view.camera);
      return;
    }
    if (this.page.width !== width || this.page.height !== height) this.page.setSize(width, height);
    this.renderer.setRenderTarget(this.page);
    this.renderer.render(this.screen, view.camera);
    this.sheet.material = this.copy;
    this.renderer.setRenderTarget(null);
    this.renderer.render(this.screen, view.camera);
  }

  /** Composes from these targets from here on. */
  private look(targets: Record<Layer, WebGLRenderTarget>): void {
    const u = this.compose.uniforms;
    for (const layer of LAYERS) {
      (u[layer] as IUniform).value = targets[layer].textures[0];
      (u[`${layer}Piece`] as IUniform).value = targets[layer].textures[1];
      (u[`${layer}Depth`] as IUniform).value = targets[layer].depthTexture;
    }
    this.shared.solidDepth.value = targets.solid.depthTexture;
  }

  /**
   * Draws a triangle of no size with each program that has not been used yet, so that the first veil and the first
   * movement need not wait for their programs. Nothing on the canvas changes.
   */
  warm(view: Optics): void {
    for (const layer of LAYERS) {
      this.renderer.setRenderTarget(this.targets[layer]);
      this.scenes[layer].traverse((thing) => {
        if (!(thing instanceof Mesh) || !(thing.geometry instanceof BufferGeometry) || thing.geometry.index === null) return;
        const { start, count } = thing.geometry.drawRange;
        if (count > 0) return;
        thing.geometry.setDrawRange(0, 3);
        this.renderer.render(this.scenes[layer], view.camera);
        thing.geometry.setDrawRange(start, count);
      });
    }
    this.sheet.material = this.quick;
    this.renderer.setRenderTarget(this.page);
    this.renderer.render(this.screen, view.camera);
    this.renderer.setRenderTarget(null);
  }

  /** Waits until the picture is drawn. (In browsers `finish` does not wait; reading a pixel does.) */
  done(): void {
    const gl = this.renderer.getContext();
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, this.pixel);
  }

  dispose(): void {
    for (const layer of LAYERS) {
      this.targets[layer].dispose();
      this.small[layer].dispose();
    }
    this.page.dispose();
    this.renderer.dispose();
  }
}

function drawsBySoftware(gl: WebGLRenderingContext | WebGL2RenderingContext): boolean {
  const told = gl.getExtension("WEBGL_debug_renderer_info");
  return told !== null && /swiftshader|llvmpipe|software|basic render/i.test(String(gl.getParameter(told.UNMASKED_RENDERER_WEBGL)));
}

function layerTarget(): WebGLRenderTarget {
  const target = new WebGLRenderTarget(4, 4, { count: 2, minFilter: NearestFilter, magFilter: NearestFilter, type: UnsignedByteType });
  const depth = new DepthTexture(4, 4, FloatType);
  depth.minFilter = depth.magFilter = NearestFilter;
  target.depthTexture = depth;
  return target;
}

function screenMaterial(fragmentShader: string, uniforms: Record<string, IUniform>): RawShaderMaterial {
  return new RawShaderMaterial({ glslVersion: GLSL3, vertexShader: SCREEN_VERTEX, fragmentShader, uniforms, depthTest: false, depthWrite: false });
}

