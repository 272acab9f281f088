/** Shaders of the stage. Every layer writes colour and, beside it, normal and piece number for ink and shade. */

export const SURFACE_VERTEX = /* glsl */ `
in vec3 position;
in vec4 normal;
in float slot;
uniform mat4 modelViewMatrix;
uniform mat4 projectionMatrix;
uniform mat3 normalMatrix;
uniform sampler2D style;
uniform mat4 laid;
out vec3 vNormal;
out vec3 vView;
out vec3 vSkull;
flat out vec4 vColour;
flat out float vSlot;
flat out float vMark;
void main() {
  int s = int(slot + 0.5);
  vColour = texelFetch(style, ivec2(s, 0), 0);
  vec4 more = texelFetch(style, ivec2(s, 1), 0);
  vSlot = slot;
  vMark = more.w;
  vSkull = (laid * vec4(position, 1.0)).xyz;
  vec4 at = modelViewMatrix * vec4(position + more.xyz, 1.0);
  vView = at.xyz;
  vNormal = normalize(normalMatrix * normal.xyz);
  gl_Position = projectionMatrix * at;
  // Enamel and chosen parts lie on other surfaces: a hair nearer.
  gl_Position.z -= 0.00012 * gl_Position.w * (mod(vMark, 2.0) >= 1.0 ? 1.0 : 0.0);
}`;

const FRAGMENT_HEAD = /* glsl */ `
precision highp float;
in vec3 vNormal;
in vec3 vView;
in vec3 vSkull;
flat in vec4 vColour;
flat in float vSlot;
flat in float vMark;
uniform vec4 clip;
uniform float firstSlot;
uniform float parallel;
layout(location = 0) out vec4 outColour;
layout(location = 1) out vec4 outPiece;

vec4 pieceOf(vec3 n, float slot) {
  float id = slot + firstSlot;
  float high = floor(id / 256.0);
  return vec4(n.xy * 0.5 + 0.5, (id - high * 256.0) / 255.0, (high + 1.0) / 255.0);
}
vec3 lit(vec3 colour, vec3 n) {
  // Light from the upper left, as plates are lit; a little from below, so that no side is black.
  float key = 0.5 + 0.5 * dot(n, vec3(-0.42, 0.62, 0.66));
  float fill = 0.5 - 0.5 * n.y;
  vec3 shade = mix(vec3(0.30, 0.29, 0.33), vec3(1.06, 1.04, 1.0), smoothstep(0.05, 1.0, key));
  return colour * (shade + 0.10 * fill);
}
`;

export const SOLID_FRAGMENT = /* glsl */ `${FRAGMENT_HEAD}
void main() {
  if (dot(vSkull, clip.xyz) > clip.w) discard;
  vec3 n = normalize(vNormal);
  if (!gl_FrontFacing) {
    // Seen from within, where the clip plane has opened it: flat, as a cut face.
    outColour = vec4(vColour.rgb * vec3(0.72, 0.66, 0.64), 1.0);
    outPiece = pieceOf(vec3(0.0, 0.0, 1.0), vSlot);
    return;
  }
  vec3 colour = lit(vColour.rgb, n);
  vec3 halfway = normalize(vec3(-0.42, 0.62, 0.66) + vec3(0.0, 0.0, 1.0));
  colour += 0.10 * pow(max(dot(n, halfway), 0.0), 28.0);
  float mark = floor(vMark / 2.0);
  outColour = vec4(colour, mark > 1.5 ? 0.25 : mark > 0.5 ? 0.5 : 1.0);
  outPiece = pieceOf(n, vSlot);
}`;

export const VEIL_FRAGMENT = /* glsl */ `${FRAGMENT_HEAD}
uniform sampler2D solidDepth;
uniform float veil;
void main() {
  if (dot(vSkull, clip.xyz) > clip.w) discard;
  if (gl_FragCoord.z > texelFetch(solidDepth, ivec2(gl_FragCoord.xy), 0).r) discard;
  vec3 n = normalize(vNormal);
  if (!gl_FrontFacing) n = -n;
  vec3 eye = parallel > 0.5 ? vec3(0.0, 0.0, 1.0) : normalize(-vView);
  float rim = 1.0 - abs(dot(n, eye));
  float opacity = vColour.a * veil;
  opacity = mix(opacity * (0.42 + 0.9 * rim * rim), 1.0, smoothstep(0.7, 1.0, opacity));
  outColour = vec4(lit(vColour.rgb, n), clamp(opacity, 0.0, 1.0));
  outPiece = pieceOf(n, vSlot);
}`;

export const SCREEN_VERTEX = /* glsl */ `
in vec3 position;
out vec2 vAt;
void main() {
  vAt = position.xy * 0.5 + 0.5;
  gl_Position = vec4(position.xy, 0.0, 1.0);
}`;

export const COMPOSE_FRAGMENT = /* glsl */ `
precision highp float;
in vec2 vAt;
uniform sampler2D solid, solidPiece, solidDepth;
uniform sampler2D bone, bonePiece, boneDepth;
uniform sampler2D other, otherPiece, otherDepth;
uniform bool hasBone, hasOther, fine, marked;
uniform mat4 fromClip;
uniform vec2 size;
uniform vec3 paper, ink, veilInk, line, chosen;
uniform float ground, groundReach, mmPerPx, inkWidth, near, far, parallel, shadeMm;
uniform vec2 groundCentre;
out vec4 outColour;

float lineOf(vec2 p, float step, float width) {
  vec2 w = fwidth(p) + 1e-6;
  vec2 d = abs(fract(p / step - 0.5) - 0.5) * step;
  vec2 a = 1.0 - smoothstep(w * (width - 0.5), w * (width + 0.5), d);
  vec2 keep = 1.0 - smoothstep(0.12, 0.35, w / step);
  return max(a.x * keep.x, a.y * keep.y);
}
vec3 backdrop() {
  vec4 a = fromClip * vec4(vAt * 2.0 - 1.0, -1.0, 1.0);
  vec4 b = fromClip * vec4(vAt * 2.0 - 1.0, 1.0, 1.0);
  vec3 from = a.xyz / a.w;
  vec3 ray = normalize(b.xyz / b.w - from);
  float down = abs(ray.y);
  float t = (ground - from.y) / (down < 1e-4 ? 1e-4 : ray.y);
  vec2 p = (from + ray * t).xz;
  float near1 = 1.0 - smoothstep(groundReach * 0.55, groundReach, length(p - groundCentre));
  float steep = smoothstep(0.015, 0.10, down);
  float mm = lineOf(p, 1.0, 0.5) * 0.30;
  float cm = lineOf(p, 10.0, 0.6) * 0.75;
  return mix(paper, line, max(mm, cm) * near1 * steep);
}
float far01(float d) {
  return parallel > 0.5 ? near + d * (far - near) : near * far / (far - d * (far - near));
}
float idOf(vec4 piece) { return piece.a < 0.002 ? -1.0 : floor(piece.b * 255.0 + 0.5) + 256.0 * floor(piece.a * 255.0 + 0.5); }
vec3 normalOf(vec4 piece) {
  vec2 xy = piece.xy * 2.0 - 1.0;
  return vec3(xy, sqrt(max(0.0, 1.0 - dot(xy, xy))));
}
#ifdef QUICK
float inkOf(sampler2D pieces, sampler2D depths, ivec2 at, ivec2 last) {
  float id = idOf(texelFetch(pieces, at, 0));
  float beside = idOf(texelFetch(pieces, min(at + ivec2(1, 0), last), 0));
  float above = idOf(texelFetch(pieces, min(at + ivec2(0, 1), last), 0));
  return beside != id || above != id ? 0.7 : 0.0;
}
#else
float inkOf(sampler2D pieces, sampler2D depths, ivec2 at, ivec2 last) {
  vec4 here = texelFetch(pieces, at, 0);
  float id = idOf(here);
  float z = id < 0.0 ? far : far01(texelFetch(depths, at, 0).r);
  vec3 n = normalOf(here);
  int r = max(1, int(inkWidth + 0.5));
  float edge = 0.0, crease = 0.0;
  for (int i = 0; i < 4; i++) {
    ivec2 o = i == 0 ? ivec2(r, 0) : i == 1 ? ivec2(-r, 0) : i == 2 ? ivec2(0, r) : ivec2(0, -r);
    ivec2 q = clamp(at + o, ivec2(0), last);
    vec4 there = texelFetch(pieces, q, 0);
    float other = idOf(there);
    if (other != id) {
      float zo = other < 0.0 ? far : far01(texelFetch(depths, q, 0).r);
      // Drawn on the nearer side only, so that a line is one line wide.
      if (id >= 0.0 && z <= zo) edge = max(edge, other < 0.0 ? 1.0 : 0.75);
    } else if (id >= 0.0) {
      float zo = far01(texelFetch(depths, q, 0).r);
      float step = max(0.0, zo - z) / (mmPerPx * float(r));
      edge = max(edge, 0.7 * smoothstep(5.0, 14.0, step));
      crease = max(crease, smoothstep(0.35, 0.9, 1.0 - dot(n, normalOf(there))));
    }
  }
  return max(edge, 0.35 * crease);
}
#endif
float shadeOf(ivec2 at, ivec2 last, float d) {
  float z = far01(d);
  float reach = clamp(shadeMm / mmPerPx, 4.0, 64.0);
  float turn = fract(sin(dot(vec2(at), vec2(12.9898, 78.233))) * 43758.5453) * 6.2832;
  float sum = 0.0;
  for (int i = 0; i < 12; i++) {
    float k = (float(i) + 0.5) / 12.0;
    float a = turn + float(i) * 2.39996;
    ivec2 q = at + ivec2(vec2(cos(a), sin(a)) * reach * sqrt(k));
    float zo = far01(texelFetch(solidDepth, clamp(q, ivec2(0), last), 0).r);
    float rise = z - zo;
    sum += smoothstep(0.02, 0.5, rise / shadeMm) * (1.0 - smoothstep(1.0, 3.0, rise / shadeMm));
  }
  return 1.0 - 0.62 * sum / 12.0;
}
void main() {
  ivec2 at = ivec2(gl_FragCoord.xy);
  ivec2 last = ivec2(size) - 1;
  vec3 colour = backdrop();
  vec4 s = texelFetch(solid, at, 0);
  float d = texelFetch(solidDepth, at, 0).r;
  if (d < 1.0) {
    colour = s.rgb;
    if (fine) colour *= shadeOf(at, last, d);
    colour = mix(colour, ink, 0.72 * inkOf(solidPiece, solidDepth, at, last));
  }
  // The chosen part wears a line round its seen outline.
  float mark = d < 1.0 ? s.a : 1.0;
  float round1 = 0.0;
  int r = max(2, int(inkWidth * 1.8 + 0.5));
#ifdef QUICK
  const int LOOKS = 4;
#else
  const int LOOKS = 8;
#endif
  for (int i = 0; i < LOOKS && marked; i++) {
    float a = float(i) * 6.2832 / float(LOOKS);
    ivec2 q = clamp(at + ivec2(round(vec2(cos(a), sin(a)) * float(r))), ivec2(0), last);
    float there = texelFetch(solidDepth, q, 0).r < 1.0 ? texelFetch(solid, q, 0).a : 1.0;
    if (there < 0.4 && mark > 0.4) round1 = max(round1, 0.55);
    if (there > 0.4 && there < 0.7 && (mark > 0.7 || mark < 0.4)) round1 = 1.0;
  }
  colour = mix(colour, chosen, round1);
  float db = hasBone ? texelFetch(boneDepth, at, 0).r : 1.0;
  float dt = hasOther ? texelFetch(otherDepth, at, 0).r : 1.0;
  for (int k = 0; k < 2; k++) {
    bool takeBone = (k == 0) == (db > dt);
    if (takeBone && hasBone && db < 1.0) {
      vec4 c = texelFetch(bone, at, 0);
      colour = mix(colour, c.rgb, c.a);
      colour = mix(colour, veilInk, min(0.55, 0.16 + c.a * 0.5) * inkOf(bonePiece, boneDepth, at, last));
    }
    if (!takeBone && hasOther && dt < 1.0) {
      vec4 c = texelFetch(other, at, 0);
      colour = mix(colour, c.rgb, c.a);
      colour = mix(colour, veilInk, 0.4 * inkOf(otherPiece, otherDepth, at, last));
    }
  }
  outColour = vec4(colour, 1.0);
}`;

export const COPY_FRAGMENT = /* glsl */ `
precision mediump float;
in vec2 vAt;
uniform sampler2D picture;
out vec4 outColour;
void main() { outColour = vec4(texture(picture, vAt).rgb, 1.0); }`;
