import { effect, signal } from "@preact/signals";
import { Color, Vector3 } from "three";
import { useEffect, useRef } from "preact/hooks";
import { api, DeskError } from "../api";
import { counterparts, looksOf } from "../parts/looks";
import { nameOfPart } from "../parts/names";
import { choosePart, hoveredPart, leadId, loadRows, loadSpecimen, onStage, say, specimens, tellError } from "../state/desk";
import { eyeMoved, painted, showFirst, showWhole, stage as stageSignal } from "../state/eye";
import { arrived } from "../state/address";
import { clipDepth, drawing } from "../state/showing";
import { pointing } from "../state/pointing";
import { laying } from "../state/beside";
import { takeInHand } from "./hands";
import { Overlay } from "./Overlay";
import { Cast, readVolume, type Volume } from "./cast";
import { Stage } from "./stage";
import { readSurfaces, type Surfaces } from "./surfaces";

const surfacesByUrl = new Map<string, Promise<Surfaces>>();

function surfacesAt(url: string): Promise<Surfaces> {
  let known = surfacesByUrl.get(url);
  if (known === undefined) {
    known = api.surfaces(url).then(readSurfaces);
    known.catch(() => surfacesByUrl.delete(url));
    surfacesByUrl.set(url, known);
    if (surfacesByUrl.size > 8) surfacesByUrl.delete(surfacesByUrl.keys().next().value as string);
  }
  return known;
}

function inks(): void {
  const style = getComputedStyle(document.documentElement);
  const colour = (name: string): Color => new Color(style.getPropertyValue(name).trim());
  stageSignal.value?.setInks({ paper: colour("--stage"), ink: colour("--stage-ink"), veilInk: colour("--veil-ink"), line: colour("--ground"), chosen: colour("--chosen") });
}

/** The middle of the page: the canvas, and what is drawn over it. */
export function StageView() {
  const canvas = useRef<HTMLCanvasElement>(null);
  const box = useRef<HTMLDivElement>(null);

  useEffect(() => {
    const within = box.current as HTMLDivElement;
    let wordsAt = 0;
    const stage = new Stage(canvas.current as HTMLCanvasElement, {
      eye: () => {
        eyeMoved.value += 1;
      },
      painted: () => {
        // Words over the stage follow every picture; without a GPU, where they cost as much as it, eight times a second.
        const now = performance.now();
        if (!(stage.moving && stage.painter.bySoftware && now - wordsAt < 125)) {
          wordsAt = now;
          painted.value += 1;
        }
        if (canvas.current) canvas.current.dataset["settled"] = String(stage.settled);
      },
      picked: (hit, event) => {
        if (pointing.value?.kind === "point") {
          if (hit) void pointing.value.take(hit);
          else say("Nothing lies there; point at a surface");
          return;
        }
        if (hit === null) choosePart(null);
        else if (hit.id === leadId.value) choosePart(hit.part, event.shiftKey || event.ctrlKey || event.metaKey);
        else chooseAnswering(hit.id, hit.part, event.shiftKey || event.ctrlKey || event.metaKey);
      },
      hovered: (hit) => {
        const now = hoveredPart.value;
        if (now?.part === hit?.part && now?.id === hit?.id) return;
        hoveredPart.value = hit ? { id: hit.id, part: hit.part } : null;
      },
      stroke: (points) => {
        if (pointing.value?.kind === "stroke") pointing.value.draw(points);
      },
    });
    stageSignal.value = stage;
    (window as unknown as { ossicleStage: Stage }).ossicleStage = stage;
    inks();
    const dark = matchMedia("(prefers-color-scheme: dark)");
    dark.addEventListener("change", inks);
    const letGo = takeInHand(stage);
    const measure = (): void => stage.resize(within.clientWidth, within.clientHeight, window.devicePixelRatio);
    const watch = new ResizeObserver(measure);
    watch.observe(within);
    measure();
    const stops = [effect(() => void fill(stage, onStage.value)), effect(() => wear(stage)), effect(() => clip(stage)), effect(() => castScan(stage)), effect(() => {
      stage.stroking = pointing.value?.kind === "stroke";
    })];
    return () => {
      for (const stop of stops) stop();
      watch.disconnect();
      letGo();
      dark.removeEventListener("change", inks);
      stageSignal.value = null;
      stage.dispose();
    };
  }, []);

  return (
    <div class="stage-box" ref={box}>
      <canvas ref={canvas} tabIndex={0} class="stage-canvas" role="img" aria-describedby="stage-said"
        aria-label="The stage: the specimen’s parts as surfaces on a millimetre ground. Arrow keys turn it, plus and minus bring it nearer or farther." />
      <Overlay />
    </div>
  );
}

/** Chooses in the leading specimen what answers to a part of another, so that both light up. */
function chooseAnswering(id: string, part: number, more: boolean): void {
  const from = specimens.value.get(id);
  const leading = specimens.value.get(leadId.value ?? "");
  const [own] = from && leading ? counterparts(part, from, leading) : [];
  if (own !== undefined) choosePart(own, more);
  else if (from && leading) {
    choosePart(null);
    say(`${nameOfPart(from, part)} of ${from.specimen.catalogue_number} has no counterpart in ${leading.specimen.catalogue_number}`, true);
  }
}

/** Brings the specimens that should stand on the stage there, and takes the others away. */
async function fill(stage: Stage, ids: readonly string[]): Promise<void> {
  for (const skull of [...stage.skulls]) if (!ids.includes(skull.id)) stage.remove(skull.id);
  for (const id of ids) {
    try {
      const known = specimens.value.get(id);
      const specimen = known ?? (await loadSpecimen(id));
      if (known === undefined) void loadRows(id).catch(tellError);
      await bring(stage, specimen.id, specimen.surfaces_url);
    } catch (error) {
      // What cannot be shown is not waited for: the others stand, or the list is shown again.
      if (error instanceof DeskError && [404, 409].includes(error.status) && !specimens.value.has(id)) onStage.value = onStage.value.filter((other) => other !== id);
      tellError(error);
    }
  }
  stage.skulls.sort((a, b) => onStage.value.indexOf(a.id) - onStage.value.indexOf(b.id));
  stage.changed();
}

const shownUrl = new WeakMap<object, string>();
/** Grows when a specimen has come onto the stage, since the stage itself is no signal. */
const stood = signal(0);

async function bring(stage: Stage, id: string, url: string): Promise<void> {
  const there = stage.skulls.find((s) => s.id === id);
  if (there && shownUrl.get(there) === url) return;
  const surfaces = await surfacesAt(url);
  if (!onStage.value.includes(id) || stageSignal.value !== stage) return;
  const now = stage.skulls.find((s) => s.id === id);
  if (now && shownUrl.get(now) === url) return;
  const first = stage.skulls.length === 0;
  const before = stage.skulls.length;
  stage.remove(id);
  const skull = stage.add(id, surfaces);
  shownUrl.set(skull, url);
  stood.value += 1;
  if (first && !arrived(stage)) showFirst(stage);
  else if (!there && before > 0) showWhole();
}

const volumes = new Map<string, Promise<Volume>>();
let castOf = "";

/** Casts the scan of the leading specimen where it is to be drawn so. */
function castScan(stage: Stage): void {
  stood.value;
  const specimen = leadId.value === null ? undefined : specimens.value.get(leadId.value);
  const skull = stage.skulls.find((s) => s.id === specimen?.id);
  if (drawing.value !== "scan" || specimen === undefined || skull === undefined) {
    castOf = "";
    if (stage.casting) stage.cast("", null);
    return;
  }
  if (castOf === specimen.surfaces_url && stage.casting) return;
  castOf = specimen.surfaces_url;
  const wanted = castOf;
  let volume = volumes.get(wanted);
  if (volume === undefined) {
    volume = api.volume(specimen.id, 192).then(readVolume);
    volumes.clear();
    volumes.set(wanted, volume);
    say("Fetching the scan");
  }
  volume.then((data) => {
    if (castOf !== wanted || stageSignal.value !== stage) return;
    stage.cast(specimen.id, new Cast(data, skull.firstSlot + skull.pieces.length + 1, stage.painter.shared));
    stood.value += 1;
  }, (error: unknown) => {
    drawing.value = "surfaces";
    tellError(error);
  });
}

function wear(stage: Stage): void {
  stood.value;
  let relaid = false;
  for (const id of onStage.value) {
    const specimen = specimens.value.get(id);
    const skull = stage.skulls.find((s) => s.id === id);
    if (specimen === undefined) continue;
    if (skull === undefined) continue;
    if (shownUrl.get(skull) !== specimen.surfaces_url) void bring(stage, id, specimen.surfaces_url).catch(tellError);
    if (skull.lay(laying(id))) relaid = true;
    const looks = looksOf(specimen, skull);
    stage.wear(id, looks);
    if (skull.hidden && stage.casting) stage.casting.wear(new Map(skull.pieces.flatMap((p, i) => (p.enamel || !looks[i] ? [] : [[p.part, looks[i]]]))));
  }
  if (relaid) stage.refit();
}

/** The clip plane stands square to the direction of view when it is first drawn in, and stays with the specimen. */
let clipNormal: Vector3 | null = null;
function clip(stage: Stage): void {
  const depth = clipDepth.value;
  if (depth <= 0) {
    clipNormal = null;
    stage.clip(null);
    return;
  }
  clipNormal ??= stage.aim.look.clone().negate();
  const normal = clipNormal;
  const { min, max } = stage.bounds();
  const reach: number[] = [];
  for (const x of [min.x, max.x]) for (const y of [min.y, max.y]) for (const z of [min.z, max.z]) reach.push(normal.dot(new Vector3(x, y, z)));
  const low = Math.min(...reach);
  const high = Math.max(...reach);
  stage.clip({ normal, reach: high - depth * (high - low) });
}
