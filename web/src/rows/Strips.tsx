import { useEffect } from "preact/hooks";
import { useSignal } from "@preact/signals";
import { api } from "../api";
import { chosenParts, choosePart, lead, tellError } from "../state/desk";
import { stripThickness } from "../state/slicing";
import { QUADRANTS, type Quadrant, type Strip } from "../types";
import { rem } from "../parts/rem";
import { outlinePath } from "../leaf/outlines";

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
      api.strip(specimen.id, q, thickness).then(
        (strip) => (strips.value = { ...strips.value, [q]: strip }),
        (error: unknown) => {
          strips.value = { ...strips.value, [q]: "none" };
          if (!(error instanceof Error && "status" in error && error.status === 404)) tellError(error);
        },
      );
    }
  }, [specimen?.id, specimen?.surfaces_url, thickness]);
  if (specimen === null) return null;
  const room = { width: (width - 18) / 2, height: (height - 6) / 2 };
  return (
    <div class="strips">
      {QUADRANTS.map((q) => {
        const strip = strips.value[q];
        return (
          <figure key={q} class={`strip ${q}`} aria-label={`${NAMES[q]} row`}>
            {strip === undefined ? <p class="empty">Unrolling …</p> : strip === "none" ? <p class="empty">No row was fitted here.</p> :
              <StripPicture id={specimen.id} quadrant={q} strip={strip} room={room} shape={specimen.surfaces_url.split("=").at(-1) ?? ""} />}
          </figure>
        );
      })}
    </div>
  );
}

/** How deep a strip looks through the row. */
export function Thickness() {
  const said = `${stripThickness.value.toFixed(1)} mm`;
  return (
    <div class="slider">
      <label for="strip-thickness">Thick <output>{said}</output></label>
      <input id="strip-thickness" type="range" min={0} max={4} step={0.1} value={stripThickness.value} aria-valuetext={said}
        onChange={(e) => (stripThickness.value = Number(e.currentTarget.value))} />
    </div>
  );
}

function StripPicture({ id, quadrant, strip, room, shape }: { id: string; quadrant: Quadrant; strip: Strip; room: { width: number; height: number }; shape: string }) {
  const LETTER = 0.76 * rem();
  const scale = Math.min(room.width / strip.width_px, (room.height - 2 * LETTER - 6) / strip.height_px);
  const w = strip.width_px * scale;
  const h = strip.height_px * scale;
  // Drawn as one faces the animal: the midline of right rows is at their right edge, and all stand towards the middle.
  const mirrored = quadrant.endsWith("right");
  const upper = quadrant.startsWith("upper");
  const left = mirrored ? room.width - w : 0;
  const top = LETTER + 3;
  const lanes = [false, true].map((deep) => spreadAlong(
    strip.loci.filter((l) => (l.emergence === "in_crypt") === deep).map((l) => ({ ...l, at: left + (mirrored ? w - l.x_px * scale : l.x_px * scale) })),
    left, left + w,
  ).map((l) => ({ ...l, y: deep === upper ? LETTER - 1 : top + h + LETTER })));
  return (
    <svg width={room.width} height={room.height} role="group" aria-label={`The ${NAMES[quadrant]} row unrolled from the scan`}>
      <g transform={mirrored ? `translate(${left + w} ${top}) scale(${-scale} ${scale})` : `translate(${left} ${top}) scale(${scale})`}>
        <image href={api.stripUrl(id, quadrant, stripThickness.value, shape)} width={strip.width_px} height={strip.height_px} />
        {strip.outlines.map((o) => (
          <path key={o.part} class={chosenParts.value.includes(o.part) ? "outline chosen" : "outline"} d={outlinePath(o.rings)} onClick={() => choosePart(o.part)} />
        ))}
      </g>
      {lanes.flat().map((l) => (
        <text key={l.part} class={chosenParts.value.includes(l.part) ? "locus chosen" : "locus"} x={l.at} y={l.y} onClick={() => choosePart(l.part)}>{l.name}</text>
      ))}
    </svg>
  );
}

/** Moves names apart that would touch. */
function spreadAlong<T extends { at: number; name: string }>(names: T[], low: number, high: number): T[] {
  const order = [...names].sort((a, b) => a.at - b.at);
  const half = (n: T): number => (0.26 + n.name.length * 0.21) * rem();
  for (let pass = 0; pass < 30; pass++) {
    for (let i = 1; i < order.length; i++) {
      const a = order[i - 1] as T;
      const b = order[i] as T;
      const over = half(a) + half(b) - (b.at - a.at);
      if (over > 0) {
        a.at -= over / 2;
        b.at += over / 2;
      }
    }
    for (const n of order) n.at = Math.min(high - half(n), Math.max(low + half(n), n.at));
  }
  return order;
}
