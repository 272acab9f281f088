import { Matrix4 } from "three";
import { slicing } from "../leaf/cut";
import { counterparts } from "../parts/looks";
import { differenceShown, evidenceIn } from "../state/beside";
import { chosenFinding, chosenParts, findingsById, leadId, specimens } from "../state/desk";
import { evidence, leaf, liftNow } from "../state/showing";
import type { Eye } from "../stage/camera";
import type { Skull } from "../stage/skull";
import type { Stage } from "../stage/stage";
import type { Vec3 } from "../types";

/** What the stage shows at a moment, as `ossicle.publish.scene` reads it. Lengths in mm, skull coordinates. */
export interface Scene {
  eye: EyeTold;
  shown: Standing[];
  lift: number;
  clip: { normal: Vec3; reach: number } | null;
  slice: { origin: Vec3; u: Vec3; v: Vec3; width: number; height: number } | null;
  named: { specimen: string; part: number }[];
  finding: string | null;
}

export interface EyeTold {
  look: Vec3;
  up: Vec3;
  centre: Vec3;
  extent: number;
  parallel: boolean;
  aspect: number;
}

export interface Standing {
  specimen: string;
  solid: number[];
  veiled: number[];
  /** Teeth whose enamel is drawn; left out where that of all solid ones is. */
  enamel?: number[];
  chosen: number[];
  veil: number;
  laid: number[] | null;
}

const few = (v: { x: number; y: number; z: number }, digits: number): Vec3 => [Number(v.x.toFixed(digits)), Number(v.y.toFixed(digits)), Number(v.z.toFixed(digits))];

export function eyeTold(on: Stage, eye: Eye): EyeTold {
  const { width, height } = on.size;
  return { look: few(eye.look, 4), up: few(eye.up, 4), centre: few(eye.centre, 3), extent: Number(eye.extent.toFixed(3)), parallel: eye.parallel, aspect: Number((width / height).toFixed(3)) };
}

/** The scene now: where the eye goes to and, from what the skulls wear, which part is shown how. */
export function sceneNow(on: Stage): Scene {
  const cut = leaf.value === "slice" ? slicing.value : null;
  const clip = on.cut;
  return {
    eye: eyeTold(on, on.aim),
    shown: on.skulls.map(standing),
    lift: liftNow.value,
    clip: clip && { normal: few(clip.normal, 5), reach: Number(clip.reach.toFixed(3)) },
    slice: cut && { origin: cut.origin, u: cut.u, v: cut.v, width: cut.width, height: cut.height },
    named: namedNow(on),
    finding: chosenFinding.value,
  };
}

function standing(skull: Skull): Standing {
  const solid: number[] = [];
  const veiled: number[] = [];
  const enamel: number[] = [];
  const chosen = new Set<number>();
  const teeth = new Set<number>();
  let veil = 1;
  skull.pieces.forEach((piece, n) => {
    const look = skull.worn[n];
    if (look === undefined) return;
    if (look.chosen && look.presence !== "absent") chosen.add(piece.part);
    if (piece.enamel) {
      teeth.add(piece.part);
      if (look.presence === "solid") enamel.push(piece.part);
    } else if (look.presence === "solid") solid.push(piece.part);
    else if (look.presence === "veiled") {
      veiled.push(piece.part);
      if (look.bone && !look.chosen) veil = Math.min(veil, look.opacity);
    }
  });
  const wearing = solid.filter((part) => teeth.has(part));
  const usual = wearing.length === enamel.length && wearing.every((part, n) => enamel[n] === part);
  const laid = skull.laid.equals(new Matrix4()) ? null : skull.laid.clone().transpose().elements.map((v) => Number(v.toFixed(5)));
  return { specimen: skull.id, solid, veiled, ...(usual ? {} : { enamel }), chosen: [...chosen], veil: Number(veil.toFixed(2)), laid };
}

/** Parts whose names stand on the stage. */
function namedNow(on: Stage): Scene["named"] {
  const leading = specimens.value.get(leadId.value ?? "");
  if (leading === undefined) return [];
  const said = evidence.value === null ? [] : (findingsById.value.get(chosenFinding.value ?? "")?.evidence.parts ?? []);
  const parts = [...new Set([...chosenParts.value.slice(-6), ...(said.length > 1 && said.length <= 16 ? said : [])])];
  const out = on.skulls.flatMap((skull) => {
    const specimen = specimens.value.get(skull.id);
    const own = specimen === undefined ? [] : parts.flatMap((part) => (specimen.id === leading.id ? [part] : counterparts(part, leading, specimen)));
    return own.map((part) => ({ specimen: skull.id, part }));
  });
  for (const id of differenceShown.value?.ids ?? []) {
    const parts = evidenceIn(id)?.parts ?? [];
    if (parts.length <= 8) out.push(...parts.map((part) => ({ specimen: id, part })));
  }
  return out;
}
