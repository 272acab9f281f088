import { Vector3 } from "three";
import type { Specimen } from "../types";
import { chosenFinding, chosenParts, findingsById, hoveredPart, onStage, specimens } from "../state/desk";
import { painted, parallel, stage } from "../state/eye";
import { counterparts } from "../parts/looks";
import { differenceShown, evidenceIn } from "../state/beside";
import { nameOfPart } from "../parts/names";
import { characterParts } from "../state/characters";
import { rem } from "../parts/rem";
import { strokeDrawn } from "../state/pointing";
import { evidence, liftNow, posed } from "../state/showing";
import { landmarksShown } from "../state/marking";
import { pageUp, rightOf } from "./camera";

const NICE = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];

/** Words and marks over the canvas: names of what is chosen, landmarks, scale bar, orientation, caption. */
export function Overlay() {
  painted.value;
  const on = stage.value;
  if (on === null || on.skulls.length === 0) return null;
  const { width, height } = on.size;
  return (
    <>
      <svg class="overlay" width={width} height={height} aria-hidden="true">
        <Names />
        <Marks />
        <Stroke />
      </svg>
      <SpecimenNames />
      <Cross />
      <ScaleBar />
      <Caption />
    </>
  );
}

function Names() {
  painted.value;
  const on = stage.value;
  if (on === null) return null;
  const labels: { x: number; y: number; text: string; strong: boolean }[] = [];
  const leading = specimens.value.get(onStage.value[0] ?? "");
  if (leading === undefined) return null;
  const add = (part: number, strong: boolean): void => {
    for (const skull of on.skulls) {
      const specimen = specimens.value.get(skull.id);
      if (specimen === undefined) continue;
      for (const own of specimen.id === leading.id ? [part] : counterparts(part, leading, specimen)) put(specimen, own, strong);
    }
  };
  const put = (specimen: Specimen, part: number, strong: boolean): void => {
    const info = specimen.parts.find((p) => p.part === part);
    if (info === undefined) return;
    const [x, y, z] = info.centroid_skull_mm;
    const mm = liftNow.value;
    const at = on.project([x + info.lift[0] * mm, y + info.lift[1] * mm, z + info.lift[2] * mm], specimen.id);
    if (at) labels.push({ ...at, text: nameOfPart(specimen, part), strong });
  };
  const view = evidence.value;
  const shown = view === null ? [] : (findingsById.value.get(chosenFinding.value ?? "")?.evidence.parts ?? characterParts.value);
  if (shown.length > 1 && shown.length <= 16) for (const part of shown) if (!chosenParts.value.includes(part)) add(part, false);
  for (const part of chosenParts.value.slice(-6)) add(part, true);
  for (const id of differenceShown.value?.ids ?? []) {
    const specimen = specimens.value.get(id);
    const parts = evidenceIn(id)?.parts ?? [];
    if (specimen && parts.length <= 8) for (const part of parts) put(specimen, part, true);
  }
  const hover = hoveredPart.value;
  if (hover && hover.id === leading.id && !chosenParts.value.includes(hover.part) && !shown.includes(hover.part)) add(hover.part, false);
  return (
    <>
      {spreadOut(labels).map((l) => (
        <g class={l.strong ? "name strong" : "name"} key={`${l.text}${l.x}`}>
          <line x1={l.x} y1={l.y} x2={l.tx} y2={l.ty + 4} />
          <circle cx={l.x} cy={l.y} r={1.8} />
          <text x={l.tx} y={l.ty}>{l.text}</text>
        </g>
      ))}
    </>
  );
}

/** Names stand above their parts; those that would touch are moved up in turn. */
function spreadOut<T extends { x: number; y: number; text: string }>(labels: T[]): (T & { tx: number; ty: number })[] {
  const placed: (T & { tx: number; ty: number })[] = [];
  const letter = rem();
  for (const label of [...labels].sort((a, b) => a.x - b.x)) {
    let ty = label.y - 2.1 * letter;
    const half = (text: string): number => (0.35 + text.length * 0.25) * letter;
    for (let tries = 0; tries < 12; tries++) {
      const clash = placed.find((p) => Math.abs(p.tx - label.x) < half(p.text) + half(label.text) && Math.abs(p.ty - ty) < 1.1 * letter);
      if (clash === undefined) break;
      ty = clash.ty - 1.15 * letter;
    }
    placed.push({ ...label, tx: label.x, ty });
  }
  return placed;
}

function Marks() {
  painted.value;
  const on = stage.value;
  if (on === null) return null;
  return (
    <>
      {landmarksShown.value.map((mark) => {
        const at = mark.skull && on.project(mark.skull, onStage.value[0]);
        if (!at) return null;
        return (
          <g class={mark.chosen ? "landmark chosen" : "landmark"} key={mark.name}>
            <path d={`M${at.x - 6},${at.y}h12M${at.x},${at.y - 6}v12`} />
            {mark.chosen && <text x={at.x + 9} y={at.y - 7}>{mark.name}</text>}
          </g>
        );
      })}
    </>
  );
}

function Stroke() {
  const points = strokeDrawn.value;
  if (points.length < 2) return null;
  return <polyline class="stroke" points={points.map(([x, y]) => `${x},${y}`).join(" ")} />;
}

function SpecimenNames() {
  painted.value;
  const on = stage.value;
  if (on === null || on.skulls.length < 2) return null;
  return (
    <>
      {on.skulls.map((skull) => {
        const shown = skull.shown();
        const specimen = specimens.value.get(skull.id);
        if (!shown || !specimen) return null;
        const middle = shown.low.clone().add(shown.high).multiplyScalar(0.5);
        const at = on.project([middle.x, middle.y, middle.z], skull.id);
        if (!at) return null;
        return (
          <p class="specimen-name" key={skull.id} style={{ left: `${at.x}px`, maxWidth: `${on.size.width / on.skulls.length}px` }}>
            <b>{specimen.specimen.catalogue_number}</b> {specimen.specimen.stage}
            <span>
              {onStage.value[0] !== skull.id && <button type="button" class="quiet" 
                onClick={() => (onStage.value = [skull.id, ...onStage.value.filter((id) => id !== skull.id)])}>its account<span class="hidden">: {specimen.specimen.catalogue_number}</span></button>}
              <button type="button" class="quiet" onClick={() => (onStage.value = onStage.value.filter((id) => id !== skull.id))}>take away<span class="hidden"> {specimen.specimen.catalogue_number}</span></button>
            </span>
          </p>
        );
      })}
    </>
  );
}

const WAYS: readonly (readonly [string, Vector3])[] = [
  ["left", new Vector3(1, 0, 0)], ["right", new Vector3(-1, 0, 0)], ["dorsal", new Vector3(0, 1, 0)],
  ["ventral", new Vector3(0, -1, 0)], ["rostral", new Vector3(0, 0, 1)], ["caudal", new Vector3(0, 0, -1)],
];

/** The directions that lie most nearly in the page: two arms, with their names. */
function Cross() {
  painted.value;
  const on = stage.value;
  if (on === null) return null;
  const right = rightOf(on.eye);
  const up = pageUp(on.eye);
  const arms = WAYS.map(([name, way]) => ({ name, x: way.dot(right), y: -way.dot(up) }))
    .filter((arm) => Math.hypot(arm.x, arm.y) > 0.35 && (arm.x > 0.28 || arm.y < -0.28) && !(arm.x < -0.5 || arm.y > 0.5))
    .sort((a, b) => Math.hypot(b.x, b.y) - Math.hypot(a.x, a.y))
    .slice(0, 2);
  const said = arms.map((a) => `${a.name} is ${Math.abs(a.x) > Math.abs(a.y) ? (a.x > 0 ? "right" : "left") : a.y < 0 ? "up" : "down"} on the page`).join(", ");
  return (
    <svg class="cross" width="104" height="72" role="img" aria-label={`Orientation: ${said}`}>
      {arms.map((arm) => {
        const x = 18 + arm.x * 34;
        const y = 56 + arm.y * 34;
        return (
          <g key={arm.name}>
            <line x1={18} y1={56} x2={x} y2={y} />
            <text x={x + (arm.x > 0.5 ? 5 : 0)} y={y + (arm.x > 0.5 ? 4 : -5)} text-anchor={arm.x > 0.5 ? "start" : "start"}>{arm.name}</text>
          </g>
        );
      })}
    </svg>
  );
}

function ScaleBar() {
  painted.value;
  const on = stage.value;
  if (on === null) return null;
  const mm = NICE.findLast((n) => n / on.mmPerPx <= 9.5 * rem()) ?? 0.1;
  const px = mm / on.mmPerPx;
  const text = mm < 1 ? `${Math.round(mm * 1000)} µm` : `${mm} mm`;
  const where = parallel.value ? "" : " at the middle of the view";
  return (
    <div class="scale" role="img" aria-label={`Scale bar: ${text}${where}`}>
      <span class="scale-words">{text}{!parallel.value && <i> at the middle</i>}</span>
      <span class="scale-bar" style={{ width: `${px}px` }} />
    </div>
  );
}

function Caption() {
  painted.value;
  const view = evidence.value;
  const pose = posed.value;
  const on = stage.value;
  const turned = pose && on ? new Vector3(...pose.look).dot(on.aim.look) < 0.999 : true;
  const text = differenceShown.value?.difference.statement ?? view?.caption ?? (pose && !turned ? `${pose.name[0]?.toUpperCase()}${pose.name.slice(1)} view.` : "");
  return <p class="caption" id="stage-said">{text}</p>;
}
