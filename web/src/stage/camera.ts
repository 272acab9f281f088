import { OrthographicCamera, PerspectiveCamera, Vector3, type Camera as ThreeCamera } from "three";

/** Where the eye stands, in skull coordinates; `extent` is the length in mm that the shorter side of the stage shows. */
export interface Eye {
  look: Vector3;
  up: Vector3;
  centre: Vector3;
  extent: number;
  parallel: boolean;
}

export interface Pose {
  key: string;
  name: string;
  look: readonly [number, number, number];
  up: readonly [number, number, number];
  /** What is set aside, so that the view is free: the cranium with its teeth, the lower jaw, or all but one dentary. */
  without?: "lower" | "upper" | "but_left_dentary" | "but_right_dentary";
}

/** Poses by their anatomical names. Left and right are the animal's; the left side is seen by looking to its right. */
export const POSES: readonly Pose[] = [
  { key: "left", name: "lateral left", look: [-1, 0, 0], up: [0, 1, 0] },
  { key: "right", name: "lateral right", look: [1, 0, 0], up: [0, 1, 0] },
  { key: "dorsal", name: "dorsal", look: [0, -1, 0], up: [0, 0, 1] },
  { key: "ventral", name: "ventral", look: [0, 1, 0], up: [0, 0, 1] },
  { key: "rostral", name: "rostral", look: [0, 0, -1], up: [0, 1, 0] },
  { key: "caudal", name: "caudal", look: [0, 0, 1], up: [0, 1, 0] },
  { key: "upper", name: "occlusal, upper", look: [0, 1, 0], up: [0, 0, 1], without: "lower" },
  { key: "lower", name: "occlusal, lower", look: [0, -1, 0], up: [0, 0, 1], without: "upper" },
  { key: "medial_left", name: "left dentary, medial", look: [1, 0, 0], up: [0, 1, 0], without: "but_left_dentary" },
  { key: "medial_right", name: "right dentary, medial", look: [-1, 0, 0], up: [0, 1, 0], without: "but_right_dentary" },
];

const FIELD = (26 * Math.PI) / 180;

export function copyEye(eye: Eye): Eye {
  return { ...eye, look: eye.look.clone(), up: eye.up.clone(), centre: eye.centre.clone() };
}

export function rightOf(eye: Eye): Vector3 {
  return new Vector3().crossVectors(eye.look, eye.up).normalize();
}

/** Up as seen on the page: at right angles to the direction of view. */
export function pageUp(eye: Eye): Vector3 {
  return new Vector3().crossVectors(rightOf(eye), eye.look).normalize();
}

/** Turns about the pose's own vertical and about the page's horizontal, never over the top. Angles in radians. */
export function turn(eye: Eye, sideways: number, over: number): void {
  const axis = rightOf(eye);
  eye.look.applyAxisAngle(eye.up, sideways);
  axis.applyAxisAngle(eye.up, sideways);
  const now = Math.acos(Math.min(1, Math.max(-1, eye.look.dot(eye.up))));
  const least = 0.02;
  const next = Math.min(Math.PI - least, Math.max(least, now - over));
  eye.look.applyAxisAngle(axis, now - next).normalize();
}

/** Makes `up` stand at right angles to `look`, so that turning begins level. */
export function levelled(look: Vector3, up: Vector3): Vector3 {
  const right = new Vector3().crossVectors(look, up);
  if (right.lengthSq() < 1e-6) right.crossVectors(look, Math.abs(look.y) < 0.9 ? new Vector3(0, 1, 0) : new Vector3(0, 0, 1));
  return new Vector3().crossVectors(right, look).normalize();
}

/** Between two eyes, `t` 0 to 1; directions run along the great circle. Eased, it begins and ends slowly. */
export function between(a: Eye, b: Eye, t: number, eased = true): Eye {
  const ease = eased ? t * t * (3 - 2 * t) : t;
  return {
    look: alongCircle(a.look, b.look, ease),
    up: alongCircle(a.up, b.up, ease),
    centre: a.centre.clone().lerp(b.centre, ease),
    extent: a.extent * (b.extent / a.extent) ** ease,
    parallel: b.parallel,
  };
}

function alongCircle(a: Vector3, b: Vector3, t: number): Vector3 {
  const cos = Math.min(1, Math.max(-1, a.dot(b)));
  if (cos > 0.9999) return b.clone();
  if (cos < -0.9999) {
    const axis = levelled(a, new Vector3(0, 1, 0));
    return a.clone().applyAxisAngle(axis, Math.PI * t);
  }
  const angle = Math.acos(cos);
  return a.clone().multiplyScalar(Math.sin((1 - t) * angle)).addScaledVector(b, Math.sin(t * angle)).normalize();
}

export interface Optics {
  camera: ThreeCamera;
  near: number;
  far: number;
  mmPerPx: number;
}

const parallelCamera = new OrthographicCamera();
const perspectiveCamera = new PerspectiveCamera();

/** The camera for a stage of so many CSS pixels; `reach` is the radius in mm of all that is shown. */
export function optics(eye: Eye, width: number, height: number, reach: number, middle: Vector3): Optics {
  const mmPerPx = eye.extent / Math.max(1, Math.min(width, height));
  const high = mmPerPx * height;
  const wide = mmPerPx * width;
  const up = pageUp(eye);
  const depth = middle.clone().sub(eye.centre).dot(eye.look);
  if (eye.parallel) {
    const back = reach + Math.abs(depth) + eye.extent;
    const camera = parallelCamera;
    Object.assign(camera, { left: -wide / 2, right: wide / 2, top: high / 2, bottom: -high / 2 });
    camera.near = 0.01;
    camera.far = back + depth + reach * 1.05;
    place(camera, eye, up, back);
    camera.updateProjectionMatrix();
    return { camera, near: camera.near, far: camera.far, mmPerPx };
  }
  const camera = perspectiveCamera;
  const back = high / 2 / Math.tan(FIELD / 2);
  camera.fov = (FIELD * 180) / Math.PI;
  camera.aspect = width / Math.max(1, height);
  camera.near = Math.max(back * 0.02, back + depth - reach * 1.05);
  camera.far = Math.max(camera.near * 1.5, back + depth + reach * 1.05);
  place(camera, eye, up, back);
  camera.updateProjectionMatrix();
  return { camera, near: camera.near, far: camera.far, mmPerPx };
}

function place(camera: ThreeCamera, eye: Eye, up: Vector3, back: number): void {
  camera.position.copy(eye.centre).addScaledVector(eye.look, -back);
  camera.up.copy(up);
  camera.lookAt(eye.centre);
  camera.updateMatrixWorld(true);
}
