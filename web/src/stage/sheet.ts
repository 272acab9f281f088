import { BufferAttribute, BufferGeometry, DoubleSide, GLSL3, LinearFilter, Mesh, RawShaderMaterial, Texture } from "three";
import type { Vec3 } from "../types";
import type { Stage } from "./stage";

const VERTEX = /* glsl */ `
in vec3 position;
in vec2 uv;
uniform mat4 modelViewMatrix;
uniform mat4 projectionMatrix;
out vec2 vUv;
void main() { vUv = uv; gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }`;

const FRAGMENT = /* glsl */ `
precision highp float;
in vec2 vUv;
uniform sampler2D picture;
uniform float filled;
layout(location = 0) out vec4 outColour;
layout(location = 1) out vec4 outPiece;
void main() {
  vec3 grey = filled > 0.5 ? texture(picture, vUv).rgb : vec3(0.5);
  vec2 edge = min(vUv, 1.0 - vUv);
  float frame = 1.0 - smoothstep(0.004, 0.006, min(edge.x, edge.y));
  // What is air in the slice is left out, so that one sees past it.
  if (frame < 0.5 && grey.r < 0.24) discard;
  outColour = vec4(mix(grey, vec3(0.85, 0.35, 0.1), frame), 1.0);
  outPiece = vec4(0.5, 0.5, 1.0, 0.99);
}`;

/** A slice among the parts: a rectangle with greys. Corners from the upper left clockwise as one sees the picture, mm. */
export class Sheet {
  private readonly geometry = new BufferGeometry();
  private readonly texture = new Texture();
  private readonly material: RawShaderMaterial;
  private readonly mesh: Mesh;

  constructor(private readonly on: Stage) {
    this.geometry.setAttribute("position", new BufferAttribute(new Float32Array(12), 3));
    this.geometry.setAttribute("uv", new BufferAttribute(new Float32Array([0, 0, 1, 0, 1, 1, 0, 1]), 2));
    this.geometry.setIndex([0, 1, 2, 0, 2, 3]);
    this.texture.minFilter = this.texture.magFilter = LinearFilter;
    this.texture.generateMipmaps = false;
    this.material = new RawShaderMaterial({
      glslVersion: GLSL3, vertexShader: VERTEX, fragmentShader: FRAGMENT, side: DoubleSide,
      uniforms: { picture: { value: this.texture }, filled: { value: 0 } },
    });
    this.mesh = new Mesh(this.geometry, this.material);
    this.mesh.frustumCulled = false;
    on.put(this.mesh);
  }

  stand(corners: readonly Vec3[]): void {
    const position = this.geometry.getAttribute("position") as BufferAttribute;
    position.array.set(corners.flat());
    position.needsUpdate = true;
    this.on.changed();
  }

  fill(picture: ImageBitmap): void {
    this.texture.image = picture;
    this.texture.flipY = false;
    // An image of another size needs a texture of its own on the graphics side.
    this.texture.dispose();
    this.texture.needsUpdate = true;
    (this.material.uniforms["filled"] as { value: number }).value = 1;
    this.on.changed();
  }

  set shown(shown: boolean) {
    if (this.mesh.visible === shown) return;
    this.mesh.visible = shown;
    this.on.changed();
  }

  dispose(): void {
    this.on.take(this.mesh);
    this.geometry.dispose();
    this.material.dispose();
    this.texture.dispose();
  }
}
