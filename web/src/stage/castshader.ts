/** Shaders of the cast scan. Positions run over the box of the volume, 0 to 1 along each axis. */

export const CAST_VERTEX = /* glsl */ `
in vec3 position;
uniform mat4 modelMatrix;
uniform mat4 viewMatrix;
uniform mat4 projectionMatrix;
out vec3 vWorld;
void main() {
  vec4 world = modelMatrix * vec4(position, 1.0);
  vWorld = world.xyz;
  gl_Position = projectionMatrix * viewMatrix * world;
}`;

export const CAST_FRAGMENT = /* glsl */ `
precision highp float;
precision highp sampler3D;
in vec3 vWorld;
uniform sampler3D seen, labels, blocks;
uniform sampler2D table;
uniform vec3 size, look, eye;
uniform vec4 clip;
uniform float level, firstSlot, parallel;
uniform mat4 toBox, clipMatrix, viewNormal;
uniform vec3 paper;
layout(location = 0) out vec4 outColour;
layout(location = 1) out vec4 outPiece;

vec3 ahead(vec3 d) { return vec3(d.x > 0.0 ? 1.0 : 0.0, d.y > 0.0 ? 1.0 : 0.0, d.z > 0.0 ? 1.0 : 0.0); }
float labelAt(vec3 p) { return texture(labels, p).r * 255.0; }
vec4 styleOf(float label) { return texelFetch(table, ivec2(int(label + 0.5), 0), 0); }
vec3 gradient(vec3 p, int channel) {
  vec3 h = 1.0 / size;
  return vec3(
    texture(seen, p - vec3(h.x, 0.0, 0.0))[channel] - texture(seen, p + vec3(h.x, 0.0, 0.0))[channel],
    texture(seen, p - vec3(0.0, h.y, 0.0))[channel] - texture(seen, p + vec3(0.0, h.y, 0.0))[channel],
    texture(seen, p - vec3(0.0, 0.0, h.z))[channel] - texture(seen, p + vec3(0.0, 0.0, h.z))[channel]) * size / 100.0;
}
/** Normal as the eye sees it, and the way outward in the box. */
vec3 normalAt(vec3 g) {
  vec3 n = (viewNormal * vec4((transpose(toBox) * vec4(g, 0.0)).xyz, 0.0)).xyz;
  float l = length(n);
  return l > 1e-6 ? n / l : vec3(0.0, 0.0, 1.0);
}
/** The label a little within the surface, of those that are drawn in this way. */
float labelWithin(vec3 p, vec3 g, bool solid) {
  vec3 inward = -g / max(length(g), 1e-6);
  float found = 0.0;
  for (int i = 0; i < 5; i++) {
    float label = labelAt(p + inward * (0.35 + 0.5 * float(i)) / size);
    float a = styleOf(label).a;
    if (label > 0.5 && (solid ? a > 0.99 : a > 0.0 && a < 0.99)) return label;
  }
  return found;
}
vec3 lit(vec3 colour, vec3 n) {
  float key = 0.5 + 0.5 * dot(n, vec3(-0.42, 0.62, 0.66));
  vec3 shade = mix(vec3(0.30, 0.29, 0.33), vec3(1.06, 1.04, 1.0), smoothstep(0.05, 1.0, key));
  return colour * (shade + 0.10 * (0.5 - 0.5 * n.y));
}
void main() {
  vec3 ray = parallel > 0.5 ? look : normalize(vWorld - eye);
  vec3 from = parallel > 0.5 ? vWorld - ray * dot(vWorld - eye, look) : eye;
  vec3 o = (toBox * vec4(from, 1.0)).xyz;
  vec3 d = (toBox * vec4(ray, 0.0)).xyz;
  vec3 inv = 1.0 / mix(d, vec3(1e-7), vec3(lessThan(abs(d), vec3(1e-7))));
  vec3 a = (vec3(0.0) - o) * inv, b = (vec3(1.0) - o) * inv;
  vec3 lo = min(a, b), hi = max(a, b);
  float t = max(max(max(lo.x, lo.y), lo.z), 0.0);
  float end = min(min(hi.x, hi.y), hi.z);
  float tBox = t + 1e-6;
  float side = dot(ray, clip.xyz);
  float room = clip.w - dot(from, clip.xyz);
  if (side < -1e-6) t = max(t, room / side); else if (side > 1e-6) end = min(end, room / side);
  float step = 0.7 / max(max(abs(d.x) * size.x, abs(d.y) * size.y), abs(d.z) * size.z);
  float cut = t;
  vec3 count = vec3(textureSize(blocks, 0));
  vec3 veil = vec3(0.0);
  float clear = 1.0, first = -1.0;
  float within = 0.0;
  t += step * fract(sin(dot(gl_FragCoord.xy, vec2(12.9898, 78.233))) * 43758.5453);
  for (int i = 0; i < 1400; i++) {
    if (t > end) break;
    vec3 p = o + d * t;
    vec3 cell = floor(p * size / 8.0);
    if (texelFetch(blocks, ivec3(clamp(cell, vec3(0.0), count - 1.0)), 0).r < 0.5) {
      vec3 far = (cell + ahead(d)) * 8.0 / size;
      vec3 out3 = (far - o) * inv;
      t = max(t + step, min(min(out3.x, out3.y), out3.z) + step * 0.05);
      within = 0.0;
      continue;
    }
    vec2 grey = texture(seen, p).rg;
    if (grey.r >= level) {
      // Back to where the grey crosses the level.
      float near = t - step, back = t;
      for (int k = 0; k < 4; k++) {
        float m = 0.5 * (near + back);
        if (texture(seen, o + d * m).r >= level) back = m; else near = m;
      }
      vec3 q = o + d * back;
      vec3 g = gradient(q, 0);
      float label = labelWithin(q, g, true);
      vec3 base = styleOf(label).rgb;
      bool opened = side < -1e-6 && cut > tBox && back - cut < step * 1.2;
      vec3 n = opened ? vec3(0.0, 0.0, 1.0) : normalAt(g);
      vec3 colour = opened ? base * (0.35 + 0.65 * texture(seen, q).r) : lit(base, n);
      outColour = vec4(veil + clear * colour, 1.0);
      float id = floor(texelFetch(table, ivec2(int(label + 0.5), 1), 0).r + 0.5) + firstSlot;
      float high = floor((id + 0.5) / 256.0);
      outPiece = vec4(n.xy * 0.5 + 0.5, (id - high * 256.0) / 255.0, (high + 1.0) / 255.0);
      vec4 at = clipMatrix * vec4(from + ray * back, 1.0);
      gl_FragDepth = clamp(at.z / at.w * 0.5 + 0.5, 0.0, 0.999999);
      return;
    }
    if (grey.g < level) { within = 0.0; t += step; continue; }
    if (within < 0.5) {
      vec3 g = gradient(p, 1);
      vec3 n = normalAt(g);
      vec4 style = styleOf(labelWithin(p, g, false));
      float rim = 1.0 - abs(n.z);
      float alpha = clamp(style.a * (0.35 + 0.9 * rim * rim), 0.0, 1.0);
      veil += clear * alpha * lit(style.rgb, n.z < 0.0 ? -n : n);
      clear *= 1.0 - alpha;
      if (first < 0.0) first = t;
    }
    within = 1.0;
    t += step;
  }
  if (first < 0.0) discard;
  // Only veils were met: they are laid on paper, which the page gives as the colour behind them.
  outColour = vec4(veil + clear * paper, 1.0);
  outPiece = vec4(0.5, 0.5, 0.0, 0.0);
  vec4 at = clipMatrix * vec4(from + ray * first, 1.0);
  gl_FragDepth = clamp(at.z / at.w * 0.5 + 0.5, 0.0, 0.999999);
}`;
