import type { Quadrant, Row, Rows, Slot } from "../types";
import { QUADRANTS } from "../types";
import { UNCERTAIN } from "../parts/names";
import { rem } from "../parts/rem";

/** Where the four rows stand in their place: right rows on the page's left, as one faces the animal; all at one scale. */
export interface PlacedSlot {
  slot: Slot;
  quadrant: Quadrant;
  name: string;
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
  gaps: { x1: number; x2: number; y: number; mm: number; finding: string | null; name: string | null }[];
}

export interface Layout {
  rows: PlacedRow[];
  /** px per mm */
  scale: number;
  middle: number;
  height: number;
}


/** Names stand on one line above or below their teeth; where they would be pushed off them, by turns on two. */
export function layOut(rows: Rows, width: number, height: number): Layout | null {
  const first = arranged(rows, width, height, 1, 1);
  if (first === null) return null;
  const off = (deep: boolean): boolean =>
    first.rows.some((row) => row.slots.some((s) => isDeep(s.slot) === deep && Math.abs(s.labelX - s.x) > 0.45 * rem()));
  const lines = [off(false) ? 2 : 1, off(true) ? 2 : 1] as const;
  return lines[0] + lines[1] > 2 ? arranged(rows, width, height, ...lines) : first;
}

const isDeep = (slot: Slot): boolean => slot.emergence === "in_crypt";

function arranged(rows: Rows, width: number, height: number, crownLines: number, rootLines: number): Layout | null {
  const LETTER = 0.83 * rem();
  const LINE = 0.96 * rem();
  const PAD = 1.09 * rem();
  const found = QUADRANTS.flatMap((q) => (rows.quadrants[q] ? [[q, rows.quadrants[q]] as const] : []));
  const drawn = found.filter(([, row]) => row.bounds_mm !== null);
  if (drawn.length === 0) return null;
  const reach = Math.max(1, ...drawn.map(([, row]) => boundsOf(row)[2]));
  const span = (jaw: string): readonly [number, number] => {
    const some = drawn.filter(([q]) => q.startsWith(jaw)).map(([, row]) => boundsOf(row));
    return some.length === 0 ? [0, 0] : [Math.min(...some.map((b) => b[1])), Math.max(...some.map((b) => b[3]))];
  };
  const upper = span("upper");
  const lower = span("lower");
  const tall = upper[1] - upper[0] + lower[1] - lower[0];
  const scale = Math.max(1, Math.min((width / 2 - 20) / reach, (height - 4 * PAD - 10 - 2 * (crownLines + rootLines - 2) * LINE) / Math.max(0.1, tall)));
  const middle = width / 2;
  const over = PAD + (rootLines - 1) * LINE;
  const tops = { upper: over + 1, lower: over + (upper[1] - upper[0]) * scale + 2 * PAD + 8 + 2 * (crownLines - 1) * LINE };
  const place = ([quadrant, row]: readonly [Quadrant, Row]): PlacedRow => {
    const isUpper = quadrant.startsWith("upper");
    const sign = quadrant.endsWith("left") ? 1 : -1;
    const [low, high] = isUpper ? upper : lower;
    const top = isUpper ? tops.upper : tops.lower;
    const x = (mm: number): number => middle + sign * mm * scale;
    const y = (mm: number): number => top + (mm - low) * scale;
    const line = (deep: boolean, k: number): number => (isUpper !== deep ? y(high) + LETTER + k * LINE : top - 4 - k * LINE);
    const slots = row.slots.filter((slot) => slot.state === "tooth" && slot.x_mm !== null).map((slot) => ({
      slot,
      quadrant,
      name: slot.confidence < UNCERTAIN && slot.decided_by !== "person" ? `${slot.name}?` : (slot.name ?? ""),
      x: x(slot.x_mm ?? 0),
      labelX: x(slot.x_mm ?? 0),
      labelY: line(isDeep(slot), 0),
      transform: `translate(${middle} ${y(0)}) scale(${sign * scale} ${scale})`,
    }));
    for (const deep of [false, true]) {
      const lines = deep ? rootLines : crownLines;
      const inOrder = slots.filter((s) => isDeep(s.slot) === deep).sort((a, b) => Math.abs(a.x - middle) - Math.abs(b.x - middle));
      for (let k = 0; k < lines; k++) {
        const mine = inOrder.filter((_, i) => i % lines === k);
        for (const s of mine) s.labelY = line(deep, k);
        spread(mine, sign > 0 ? middle + 6 : 10, sign > 0 ? width - 10 : middle - 6);
      }
    }
    return {
      quadrant,
      slots,
      margin: extended(row.baseline).map(([a, b]) => `${x(Math.max(0, a)).toFixed(1)},${y(b).toFixed(1)}`).join(" "),
      gaps: row.slots.filter((g) => g.state === "gap" && g.from_mm !== undefined && g.to_mm !== undefined).map((g) => ({
        x1: x(g.from_mm ?? 0), x2: x(g.to_mm ?? 0), y: y(g.margin_mm ?? (low + high) / 2), mm: g.length_mm ?? 0, finding: g.finding, name: g.name,
      })),
    };
  };
  return { rows: drawn.map(place), scale, middle, height };
}

const boundsOf = (row: Row): [number, number, number, number] => row.bounds_mm ?? [0, 0, 0, 0];

/** The margin carried on level a little beyond the last teeth. */
function extended(line: readonly [number, number][]): [number, number][] {
  const first = line[0];
  const last = line.at(-1);
  if (first === undefined || last === undefined) return [];
  return [[first[0] - 1, first[1]], ...line, [last[0] + 1, last[1]]];
}

/** Moves names apart that would touch, as little as need be. */
function spread(slots: PlacedSlot[], low: number, high: number): void {
  const order = [...slots].sort((a, b) => a.x - b.x);
  const half = (s: PlacedSlot): number => (0.32 + s.name.length * 0.225) * rem();
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
