import { effect } from "@preact/signals";
import { BufferAttribute, BufferGeometry, DoubleSide, GLSL3, LinearFilter, Mesh, RawShaderMaterial, Texture, Vector3 } from "three";
import { api } from "../api";
import { lead } from "../state/desk";
import { stage } from "../state/eye";
import { apply } from "../state/marking";
import type { Vec3 } from "../types";
import { slicing } from "./cut";

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

/** Stands the slice among the parts, with its greys; returns how to take it away. */
export function sliceOnStage(): () => void {
  const on = stage.value;
  if (on === null) return () => undefined;
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(12), 3));
  geometry.setAttribute("uv", new BufferAttribute(new Float32Array([0, 1, 1, 1, 1, 0, 0, 0]), 2));
  geometry.setIndex([0, 1, 2, 0, 2, 3]);
  const texture = new Texture();
  texture.minFilter = texture.magFilter = LinearFilter;
  texture.generateMipmaps = false;
  const material = new RawShaderMaterial({
    glslVersion: GLSL3, vertexShader: VERTEX, fragmentShader: FRAGMENT, side: DoubleSide,
    uniforms: { picture: { value: texture }, filled: { value: 0 } },
  });
  const mesh = new Mesh(geometry, material);
  mesh.frustumCulled = false;
  on.put(mesh);
  let asked = new AbortController();
  let timer = 0;
  const stop = effect(() => {
    const cut = slicing.value;
    const specimen = lead.value;
    if (cut === null || specimen === null) return;
    const { origin, u, v, width, height } = cut;
    const corner = (a: number, b: number): Vec3 => {
      const at = new Vector3(...origin).addScaledVector(new Vector3(...u), (a * width) / 2).addScaledVector(new Vector3(...v), (b * height) / 2);
      return apply(specimen.scan.scan_to_skull, [at.x, at.y, at.z]);
    };
    const position = geometry.getAttribute("position") as BufferAttribute;
    position.array.set([corner(-1, -1), corner(1, -1), corner(1, 1), corner(-1, 1)].flat());
    position.needsUpdate = true;
    on.changed();
    asked.abort();
    asked = new AbortController();
    const { signal } = asked;
    window.clearTimeout(timer);
    timer = window.setTimeout(() => {
      api.slicePicture(specimen.id, { ...cut, px: 512 }, signal).then(createImageBitmap).then((picture) => {
        texture.image = picture;
        texture.flipY = false;
        // An image of another size needs a texture of its own on the graphics side.
        texture.dispose();
        texture.needsUpdate = true;
        (geometry.getAttribute("uv") as BufferAttribute).array.set([0, 0, 1, 0, 1, 1, 0, 1]);
        (geometry.getAttribute("uv") as BufferAttribute).needsUpdate = true;
        (material.uniforms["filled"] as { value: number }).value = 1;
        on.changed();
      }, () => undefined);
    }, 60);
  });
  return () => {
    stop();
    asked.abort();
    on.take(mesh);
    geometry.dispose();
    material.dispose();
    texture.dispose();
  };
}
