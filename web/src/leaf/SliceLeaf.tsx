import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { api } from "../api";
import { chosenPart, chosenParts, choosePart, lead, tellError } from "../state/desk";
import { apply, landmarksShown } from "../state/marking";
import { applyBack } from "../state/marking";
import { pointing } from "../state/pointing";
import { planes, sliceKey, sliceShift, sliceTurn } from "../state/slicing";
import type { Outlines, Plane } from "../types";
import { NICE_MM } from "../rows/scale";
import { placeIn, placeOn, slicing, snapped } from "./cut";
import { outlinePath } from "./outlines";
import { sliceOnStage } from "./onstage";

/** The one free slice: its plane snaps to what is chosen, and may be moved and turned from there. */
export function SliceLeaf() {
  const specimen = lead.value;
  useEffect(() => {
    if (specimen === null) return;
    api.planes(specimen.id).then((all) => (planes.value = all), tellError);
  }, [specimen?.id, specimen?.version]);
  useEffect(() => sliceOnStage(), []);
  useSnapToChosen();
  const plane = snapped.value;
  if (specimen === null || plane === null) return <p class="empty">Looking for planes to snap to …</p>;
  return (
    <div class="slice">
      <label class="plane-choice">Snaps to
        <select value={plane.key} onChange={(e) => snapTo(e.currentTarget.value)}>
          {grouped(planes.value, chosenPart.value).map(([name, some]) => (
            <optgroup key={name} label={name}>{some.map((p) => <option key={p.key} value={p.key}>{p.label}</option>)}</optgroup>
          ))}
        </select>
      </label>
      <Picture />
      <Move />
    </div>
  );
}

export function snapTo(key: string): void {
  sliceKey.value = key;
  sliceShift.value = 0;
  sliceTurn.value = [0, 0];
}

/** Choosing another tooth takes the slice there, in the direction it had. */
function useSnapToChosen(): void {
  const before = useRef<number | null>(chosenPart.value);
  const part = chosenPart.value;
  const all = planes.value;
  useEffect(() => {
    if (part === null || (part === before.current && sliceKey.value !== null)) return;
    const way = sliceKey.value?.split("/").at(-1) ?? "along";
    const own = all.filter((p) => p.of === part);
    const to = own.find((p) => p.key.endsWith(`/${way}`)) ?? own[0];
    if (to) {
      before.current = part;
      snapTo(to.key);
    }
  }, [part, all]);
}

function grouped(all: readonly Plane[], part: number | null): [string, Plane[]][] {
  const own = all.filter((p) => p.of !== null && p.of === part);
  const whole = all.filter((p) => p.of === null && !p.key.startsWith("row/"));
  const rows = all.filter((p) => p.key.startsWith("row/"));
  const rest = all.filter((p) => p.of !== null && p.of !== part);
  return ([["What is chosen", own], ["The skull", whole], ["Along a row", rows], ["Other parts", rest]] as [string, Plane[]][]).filter(([, some]) => some.length > 0);
}

function Picture() {
  const box = useRef<HTMLDivElement>(null);
  const room = useSignal(0);
  const shown = useSignal<{ url: string; outlines: Outlines; key: string; px: number } | null>(null);
  const cut = slicing.value;
  const specimen = lead.value;
  useEffect(() => {
    const it = box.current as HTMLDivElement;
    const watch = new ResizeObserver(() => (room.value = it.clientWidth));
    watch.observe(it);
    return () => watch.disconnect();
  }, []);
  const px = Math.min(1400, Math.max(240, Math.round((room.value || 320) * Math.min(2, window.devicePixelRatio) / 40) * 40));
  const key = cut && specimen ? JSON.stringify([specimen.id, specimen.surfaces_url, cut, px]) : "";
  useEffect(() => {
    if (!cut || !specimen || room.value === 0) return undefined;
    const stop = new AbortController();
    const timer = window.setTimeout(() => {
      const asked = { ...cut, px };
      Promise.all([api.slicePicture(specimen.id, asked, stop.signal), api.sliceOutlines(specimen.id, asked, stop.signal)]).then(([blob, outlines]) => {
        if (shown.value) URL.revokeObjectURL(shown.value.url);
        shown.value = { url: URL.createObjectURL(blob), outlines, key, px };
      }, tellError);
    }, 40);
    return () => {
      stop.abort();
      window.clearTimeout(timer);
    };
  }, [key, room.value === 0]);
  if (!cut || !specimen) return null;
  const { width, height } = cut;
  const perMm = room.value / width;
  const bar = NICE_MM.findLast((mm) => mm * perMm < room.value / 3) ?? 0.1;
  const now = shown.value;
  return (
    <figure class="slice-figure" ref={box}>
      <svg viewBox={`0 0 ${width} ${height}`} role="img" aria-label={`${snapped.value?.label ?? "The slice"}, ${width.toFixed(1)} by ${height.toFixed(1)} mm`}
        class={pointing.value?.kind === "point" ? "aiming" : ""}
        onClick={(event) => {
          const at = (event.currentTarget as SVGSVGElement).getBoundingClientRect();
          const scan = placeOn(cut, (event.clientX - at.left) / at.width, (event.clientY - at.top) / at.height);
          if (pointing.value?.kind === "point") void pointing.value.take({ id: specimen.id, part: 0, slot: -1, distance: 0, point: apply(specimen.scan.scan_to_skull, scan) });
        }}>
        {now && <image href={now.url} width={width} height={height} preserveAspectRatio="none" />}
        {now?.outlines.outlines.map((o) => (
          <path key={o.part} class={chosenParts.value.includes(o.part) ? "outline chosen" : "outline"} transform={`scale(${now.outlines.mm_per_px})`} d={outlinePath(o.rings)}
            onClick={() => pointing.value === null && choosePart(o.part)} />
        ))}
        {landmarksShown.value.map((l) => {
          if (!l.skull) return null;
          const at = placeIn(cut, applyBack(specimen.scan.scan_to_skull, l.skull));
          if (Math.abs(at.off) > 0.5) return null;
          const arm = width / 50;
          return <path key={l.name} class={l.chosen ? "landmark chosen" : "landmark"} d={`M${at.x * width - arm},${at.y * height}h${2 * arm}M${at.x * width},${at.y * height - arm}v${2 * arm}`}><title>{l.name}</title></path>;
        })}
      </svg>
      {!now && <p class="empty">Cutting …</p>}
      <figcaption><span>{snapped.value?.label}</span><span class="slice-scale"><i style={{ width: `${bar * perMm}px` }} />{bar < 1 ? `${bar * 1000} µm` : `${bar} mm`}</span></figcaption>
    </figure>
  );
}

function Move() {
  const plane = snapped.value;
  if (plane === null) return null;
  const reach = Number((Math.max(plane.width_mm, plane.height_mm) / 2).toFixed(1));
  const [about, over] = sliceTurn.value;
  const slider = (id: string, label: string, value: number, most: number, step: number, said: string, set: (v: number) => void) => (
    <div class="slider">
      <label for={`slice-${id}`}>{label} <output>{said}</output></label>
      <input id={`slice-${id}`} type="range" min={-most} max={most} step={step} value={value} aria-valuetext={said} onInput={(e) => set(Number(e.currentTarget.value))} />
    </div>
  );
  return (
    <div class="slice-move">
      {slider("shift", "Moved off", sliceShift.value, reach, 0.05, `${sliceShift.value.toFixed(2)} mm`, (v) => (sliceShift.value = v))}
      {slider("about", "Turned about the vertical", about, 90, 1, `${about}°`, (v) => (sliceTurn.value = [v, over]))}
      {slider("over", "Tilted", over, 90, 1, `${over}°`, (v) => (sliceTurn.value = [about, v]))}
      <button type="button" class="quiet" onClick={() => snapTo(plane.key)}>snap back</button>
    </div>
  );
}
