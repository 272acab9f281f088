import { useEffect, useRef } from "preact/hooks";
import { useSignal } from "@preact/signals";
import { chosenParts, choosePart, hoveredPart, leadId, leadRows } from "../state/desk";
import { centreOn } from "../state/eye";
import { partsByNumber } from "../state/desk";
import { rowsAs } from "../state/slicing";
import { layOut, type Layout, type PlacedSlot } from "./layout";
import { Strips, Thickness } from "./Strips";
import { ToothCard } from "./ToothCard";
import { NICE_MM } from "./scale";
import { rem } from "../parts/rem";
import { EMERGENCE, percent } from "../parts/names";
import { chooseFinding } from "../account/acts";

/** The rows: four tooth rows drawn from the specimen's own crowns, or unrolled from the scan. */
export function RowsPlace() {
  const box = useRef<HTMLDivElement>(null);
  const size = useSignal({ width: 0, height: 0 });
  useEffect(() => {
    const it = box.current as HTMLDivElement;
    const watch = new ResizeObserver(() => (size.value = { width: it.clientWidth, height: it.clientHeight }));
    watch.observe(it);
    return () => watch.disconnect();
  }, []);
  const rows = leadRows.value;
  const { width, height } = size.value;
  const layout = rows && width > 60 ? layOut(rows, width, height) : null;
  return (
    <section class="rows" aria-label="Rows" data-place="rows">
      <div class="rows-how">
        <h2>Rows</h2>
        <fieldset class="words rows-as">
          <legend class="hidden">The rows</legend>
          {(["drawn", "unrolled"] as const).map((key) => (
            <label key={key}><input type="radio" name="rows-as" checked={rowsAs.value === key} onChange={() => (rowsAs.value = key)} /><span>{key}</span></label>
          ))}
        </fieldset>
        {rowsAs.value === "unrolled" ? <Thickness /> : layout && <RowsScale perMm={layout.scale} />}
      </div>
      <div class="rows-box" ref={box}>
        {rowsAs.value === "unrolled" && width > 60 ? <Strips width={width} height={height} /> : layout ? <Drawn layout={layout} width={width} height={height} /> :
          <p class="empty">{rows === null ? "The rows are being drawn …" : "No tooth was found, so there is no row to draw. A missed one can be added by pointing at it."}</p>}
      </div>
      <ToothCard />
    </section>
  );
}

/** How the rows are laid out, and their scale. */
function RowsScale({ perMm }: { perMm: number }) {
  const bar = NICE_MM.findLast((mm) => mm * perMm < 84) ?? 0.1;
  return (
    <div class="rows-scale">
      <p>The animal’s right on the left.</p>
      <span class="scale-bar" style={{ width: `${bar * perMm}px` }} />{bar} mm
    </div>
  );
}

function Drawn({ layout, width, height }: { layout: Layout; width: number; height: number }) {
  const all = layout.rows.flatMap((r) => r.slots);
  const chosen = chosenParts.value;
  const firstPart = all.find((s) => s.slot.part !== null)?.slot.part;
  const tabbed = all.some((s) => s.slot.part !== null && s.slot.part === chosen.at(-1)) ? chosen.at(-1) : firstPart;
  return (
    <svg class="drawn-rows" width={width} height={height} role="group" aria-label="The four tooth rows, as one faces the animal: its right on the left">
      <defs>
        <pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform={`scale(${1 / layout.scale}) rotate(45)`}><path class="hatch" d="M0,0V5" /></pattern>
        <pattern id="dots" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform={`scale(${1 / layout.scale})`}><circle class="dot" cx="2.5" cy="2.5" r="1.1" /></pattern>
      </defs>
      <line class="midline" x1={layout.middle} x2={layout.middle} y1={6} y2={height - 6} />
      {layout.rows.map((row) => (
        <g key={row.quadrant}>
          {row.margin !== "" && <polyline class="alveolar" points={row.margin} />}
          {row.gaps.map((g) => (
            <g class="gap" key={`${g.x1}`} onClick={() => g.finding && chooseFinding(g.finding)}>
              <title>{g.name ? `no tooth at ${g.name}` : "a gap"}, {g.mm.toFixed(2)} mm</title>
              <line x1={g.x1} x2={g.x2} y1={g.y} y2={g.y} />{Math.abs(g.x2 - g.x1) > 2.9 * rem() && <text x={(g.x1 + g.x2) / 2} y={g.y + (row.quadrant.startsWith("upper") ? 11 : -4)}>{g.mm < 10 ? g.mm.toFixed(2) : g.mm.toFixed(1)} mm</text>}</g>
          ))}
          {[...row.slots].sort((a, b) => Number(a.slot.emergence !== "in_crypt") - Number(b.slot.emergence !== "in_crypt")).map((s) => (
            <SlotMark key={`${s.quadrant} ${s.slot.locus} ${s.slot.part}`} placed={s} tabbed={s.slot.part === tabbed} all={all} />
          ))}
        </g>
      ))}
    </svg>
  );
}

function SlotMark({ placed, tabbed, all }: { placed: PlacedSlot; tabbed: boolean; all: PlacedSlot[] }) {
  const { slot } = placed;
  const chosen = slot.part !== null && chosenParts.value.includes(slot.part);
  const hover = hoveredPart.value;
  const hovered = slot.part !== null && hover?.part === slot.part && hover.id === leadId.value;
  if (slot.part === null) return null;
  const part = slot.part;
  const classes = ["slot", slot.generation, slot.emergence, chosen && "chosen", hovered && "hovered", slot.anomaly && "odd"].filter(Boolean).join(" ");
  const choose = (more: boolean): void => {
    choosePart(part, more);
    const info = partsByNumber.value.get(part);
    if (info && !more) centreOn([info]);
  };
  return (
    <g class={classes} role="button" tabindex={tabbed ? 0 : -1} aria-pressed={chosen} aria-label={said(placed)} data-part={part}
      onClick={(e) => choose(e.shiftKey || e.ctrlKey || e.metaKey)}
      onPointerEnter={() => (hoveredPart.value = { id: leadId.value ?? "", part })}
      onPointerLeave={() => (hoveredPart.value = null)}
      onKeyDown={(event) => {
        if (event.key === "Enter" || event.key === " ") {
          event.preventDefault();
          choose(event.shiftKey);
        } else if (event.key.startsWith("Arrow")) {
          event.preventDefault();
          const next = neighbour(all, placed, event.key);
          if (next?.slot.part != null) {
            choosePart(next.slot.part, event.shiftKey);
            const to = next.slot.part;
            requestAnimationFrame(() => document.querySelector<SVGElement>(`.slot[data-part="${to}"]`)?.focus());
          }
        }
      }}>
      <title>{said(placed)}</title>
      <path class="body" d={slot.outline} transform={placed.transform} />
      {slot.generation !== "permanent" && <path d={slot.outline} transform={placed.transform} fill={slot.generation === "deciduous" ? "url(#hatch)" : "url(#dots)"} class="sign-fill" />}
      <text x={placed.labelX} y={placed.labelY}>{placed.name}</text>
    </g>
  );
}

function said({ slot, quadrant, name }: PlacedSlot): string {
  const [jaw, side] = quadrant.split("_");
  const state = EMERGENCE[slot.emergence ?? "erupted"];
  const share = slot.emergence === "erupting" ? ` (${percent(slot.emergence_fraction ?? 0)})` : "";
  return `${side} ${jaw} ${name}, ${slot.generation}, ${state}${share}${slot.anomaly ? `; ${slot.anomaly}` : ""}`;
}

/** The tooth one goes to by an arrow: along the page in the same jaw and depth, or across to the nearest in another. */
function neighbour(all: PlacedSlot[], from: PlacedSlot, key: string): PlacedSlot | undefined {
  const lane = (s: PlacedSlot): number => {
    const deep = s.slot.emergence === "in_crypt";
    return s.quadrant.startsWith("upper") ? (deep ? 0 : 1) : deep ? 3 : 2;
  };
  const teeth = all.filter((s) => s.slot.part !== null);
  if (key === "ArrowLeft" || key === "ArrowRight") {
    const same = teeth.filter((s) => lane(s) === lane(from)).sort((a, b) => a.x - b.x);
    return same[same.indexOf(from) + (key === "ArrowRight" ? 1 : -1)];
  }
  const step = key === "ArrowDown" ? 1 : -1;
  for (let to = lane(from) + step; to >= 0 && to <= 3; to += step) {
    const there = teeth.filter((s) => lane(s) === to).sort((a, b) => Math.abs(a.x - from.x) - Math.abs(b.x - from.x));
    if (there[0]) return there[0];
  }
  return undefined;
}
