import { useEffect } from "preact/hooks";
import { useSignal } from "@preact/signals";
import { api } from "../api";
import { chosenParts, choosePart, lead, tellError } from "../state/desk";
import { stripThickness } from "../state/slicing";
import { QUADRANTS, type Quadrant, type Strip } from "../types";
import { outlinePath } from "../leaf/outlines";

const SCALE = 24;
const NAMES: Record<Quadrant, string> = { upper_right: "upper right", upper_left: "upper left", lower_right: "lower right", lower_left: "lower left" };

/** The rows unrolled from the scan: one strip a quadrant, its loci lettered. */
export function Strips({ width, height }: { width: number; height: number }) {
  const strips = useSignal<Partial<Record<Quadrant, Strip | "none">>>({});
  const specimen = lead.value;
  const thickness = stripThickness.value;
  useEffect(() => {
    if (specimen === null) return;
    strips.value = {};
    for (const q of QUADRANTS) {
      api.strip(specimen.id, q, thickness, SCALE).then(
        (strip) => (strips.value = { ...strips.value, [q]: strip }),
        (error: unknown) => {
          strips.value = { ...strips.value, [q]: "none" };
          if (!(error instanceof Error && "status" in error && error.status === 404)) tellError(error);
        },
      );
    }
  }, [specimen?.id, specimen?.version, thickness]);
  if (specimen === null) return null;
  return (
    <div class="strips" style={{ width: `${width}px`, height: `${height}px` }}>
      <label class="strip-thickness">thick <input type="range" min={0.1} max={4} step={0.1} value={thickness} aria-valuetext={`${thickness.toFixed(1)} mm`}
        onChange={(e) => (stripThickness.value = Number(e.currentTarget.value))} /> <output>{thickness.toFixed(1)} mm</output></label>
      {QUADRANTS.map((q) => {
        const strip = strips.value[q];
        return (
          <figure key={q} class={`strip ${q}`}>
            {strip === undefined ? <p class="empty">Unrolling …</p> : strip === "none" ? <p class="empty">No row was fitted here.</p> :
              <StripPicture id={specimen.id} quadrant={q} strip={strip} version={`${specimen.version}`} />}
            <figcaption>{NAMES[q]}</figcaption>
          </figure>
        );
      })}
    </div>
  );
}

function StripPicture({ id, quadrant, strip, version }: { id: string; quadrant: Quadrant; strip: Strip; version: string }) {
  const { width_px: w, height_px: h } = strip;
  const letter = h / 11;
  return (
    <svg viewBox={`0 ${-letter * 1.6} ${w} ${h + letter * 1.6}`} role="group" aria-label={`The ${NAMES[quadrant]} row unrolled from the scan`}>
      <image href={api.stripUrl(id, quadrant, stripThickness.value, SCALE, version)} width={w} height={h} />
      {strip.outlines.map((o) => (
        <path key={o.part} class={chosenParts.value.includes(o.part) ? "outline chosen" : "outline"} d={outlinePath(o.rings)} onClick={() => choosePart(o.part)} />
      ))}
      {strip.loci.map((l) => (
        <text key={l.part} class={chosenParts.value.includes(l.part) ? "locus chosen" : "locus"} x={l.x_px} y={-letter * 0.4} font-size={letter} onClick={() => choosePart(l.part)}>{l.name}</text>
      ))}
    </svg>
  );
}
