import type { Quadrant, Row, Rows, Slot } from "../types";
import { QUADRANTS } from "../types";

/** Where the four rows stand in their place: right rows on the page's left, as one faces the animal; all at one scale. */
export interface PlacedSlot {
  slot: Slot;
  quadrant: Quadrant;
  /** Middle of the tooth and where its name stands, in px. */
  x: number;
  labelX: number;
  labelY: number;
  transform: string;
}

export interface PlacedRow {
  quadrant: Quadrant;
  slots: PlacedSlot[];
  margin: string;
  gaps: { x1: number; x2: number; y: number; mm: number }[];
}

export interface Layout {
  rows: PlacedRow[];
  /** px per mm */
  scale: number;
  middle: number;
  height: number;
  lines: { upper: number; lower: number };
}

const LETTER = 13;
const PAD = 17;

export function layOut(rows: Rows, width: number, height: number): Layout | null {
  const found = QUADRANTS.flatMap((q) => (rows.quadrants[q] ? [[q, rows.quadrants[q]] as const] : []));
  const drawn = found.filter(([, row]) => row.slots.length > 0);
  if (drawn.length === 0) return null;
  const reach = Math.max(1, ...drawn.map(([, row]) => row.extent.x1));
  const span = (jaw: string): readonly [number, number] => {
    const some = drawn.filter(([q]) => q.startsWith(jaw)).map(([, row]) => row.extent);
    return some.length === 0 ? [0, 0] : [Math.min(...some.map((e) => e.y0)), Math.max(...some.map((e) => e.y1))];
  };
  const upper = span("upper");
  const lower = span("lower");
  const tall = upper[1] - upper[0] + lower[1] - lower[0];
  const scale = Math.max(1, Math.min((width / 2 - 20) / reach, (height - 4 * PAD - 8) / Math.max(0.1, tall)));
  const middle = width / 2;
  const tops = { upper: PAD, lower: PAD + (upper[1] - upper[0]) * scale + 2 * PAD + 8 };
  const place = ([quadrant, row]: readonly [Quadrant, Row]): PlacedRow => {
    const isUpper = quadrant.startsWith("upper");
    const sign = quadrant.endsWith("left") ? 1 : -1;
    const [low, high] = isUpper ? upper : lower;
    const top = isUpper ? tops.upper : tops.lower;
    const x = (mm: number): number => middle + sign * mm * scale;
    const y = (mm: number): number => top + (mm - low) * scale;
    const crownEdge = isUpper ? y(high) + LETTER : top - 4;
    const rootEdge = isUpper ? top - 4 : y(high) + LETTER;
    const slots = row.slots.map((slot) => ({
      slot,
      quadrant,
      x: x(slot.x),
      labelX: x(slot.x),
      labelY: slot.emergence === "in_crypt" && slot.state === "tooth" ? rootEdge : crownEdge,
      transform: `translate(${middle} ${y(0)}) scale(${sign * scale} ${scale})`,
    }));
    for (const deep of [false, true]) spread(slots.filter((s) => (s.labelY === rootEdge) === deep), sign > 0 ? middle + 6 : 10, sign > 0 ? width - 10 : middle - 6);
    return {
      quadrant,
      slots,
      margin: row.margin.map(([a, b]) => `${x(Math.max(0, a)).toFixed(1)},${y(b).toFixed(1)}`).join(" "),
      gaps: row.gaps.map((g) => ({ x1: x(g.x1), x2: x(g.x2), y: y(g.y), mm: g.mm })),
    };
  };
  return { rows: drawn.map(place), scale, middle, height, lines: tops };
}

/** Moves names apart that would touch, as little as need be. */
function spread(slots: PlacedSlot[], low: number, high: number): void {
  const order = [...slots].sort((a, b) => a.x - b.x);
  const half = (s: PlacedSlot): number => 5 + s.slot.name.length * 3.6;
  for (let pass = 0; pass < 40; pass++) {
    let moved = false;
    for (let i = 1; i < order.length; i++) {
      const a = order[i - 1] as PlacedSlot;
      const b = order[i] as PlacedSlot;
      const over = half(a) + half(b) - (b.labelX - a.labelX);
      if (over > 0.5) {
        a.labelX -= over / 2;
        b.labelX += over / 2;
        moved = true;
      }
    }
    for (const s of order) s.labelX = Math.min(high - half(s), Math.max(low + half(s), s.labelX));
    if (!moved) return;
  }
}
