import type { Group, Presence } from "../types";
import { chosenParts, lead, leadId, onStage } from "../state/desk";
import { chosenDifference, setVeil, setVeilsApart, veilFor, veilsApart } from "../state/beside";
import { clipDepth, colouring, drawing, evidence, groups, type GroupKey, isGone, isWhole, leaf, type Leaf, layOutAnew, lift, own, setGroup, setOwn } from "../state/showing";
import { nameOfPart } from "../parts/names";
import { keysOpen } from "../state/keysheet";

const GROUP_NAMES: Record<GroupKey, string> = {
  tooth: "teeth in place", crypt_crown: "in crypts", enamel: "enamel", cavity: "cavities", opening: "openings", ossicle: "ossicles", fragment: "fragments", foreign: "foreign matter",
};
const PRESENCES: readonly Presence[] = ["solid", "veiled", "absent"];

/** The margin of the stage: what is solid, veiled or absent; lift, cut, colour; and the leaves that open beside it. */
export function Margin() {
  const specimen = lead.value;
  if (specimen === null) return null;
  const there = new Set<Group>(specimen.parts.map((p) => p.group));
  if (there.has("tooth") || there.has("crypt_crown")) there.add("enamel");
  const keys = (Object.keys(GROUP_NAMES) as GroupKey[]).filter((key) => there.has(key));
  const veil = veilFor(specimen.id);
  const several = onStage.value.length > 1;
  const chosen = chosenParts.value;
  const mine = chosen.length > 0 ? own.value[chosen[0] as number] : undefined;
  const single = chosen.length === 1 ? nameOfPart(specimen, chosen[0] as number) : `${chosen.length} parts`;
  return (
    <div class="margin" role="group" aria-label="What is shown">
      {there.has("bone") && (
        <Slider id="bone" label="Bone" ends={["gone", "whole"]} value={veil} step={0.05} max={1}
          said={isWhole(veil) ? "whole" : isGone(veil) ? "gone" : `veiled, ${Math.round(veil * 100)} %`}
          set={(v) => {
            setVeil(leadId.value, v);
            evidence.value = null;
            chosenDifference.value = null;
          }} />
      )}
      {several && there.has("bone") && (
        <label class="check own-veil"><input type="checkbox" checked={veilsApart.value} onChange={(e) => setVeilsApart(e.currentTarget.checked)} /> each its own veil</label>
      )}
      <div class="presence" role="group" aria-label="Presence of parts">
        <div class="presence-head" aria-hidden="true"><span /><i>solid</i><i>veiled</i><i>absent</i></div>
        {keys.map((key) => (
          <PresenceChoice key={key} name={GROUP_NAMES[key]} value={groups.value[key]} set={(p) => setGroup(key, p, specimen)} />
        ))}
        {chosen.length > 0 && (
          <PresenceChoice name={single} value={mine ?? null} chosen set={(p) => setOwn(chosen, p === mine ? null : p)} />
        )}
      </div>
      <Slider id="lift" label="Lift" value={lift.value} step={0.5} max={12} said={`${lift.value.toFixed(1)} mm`} set={(v) => (lift.value = v)} />
      <Slider id="clip" label="Cut away" value={clipDepth.value} step={0.01} max={1}
        said={clipDepth.value === 0 ? "nothing" : `${Math.round(clipDepth.value * 100)} % of the depth`} set={(v) => (clipDepth.value = v)} />
      <Colouring />
      <fieldset class="words">
        <legend>Drawn as</legend>
        {(["surfaces", "scan"] as const).map((key) => (
          <label key={key}><input type="radio" name="drawing" checked={drawing.value === key} onChange={() => (drawing.value = key)} /><span>{key}</span></label>
        ))}
      </fieldset>
      <nav class="leaves" aria-label="Leaves beside the stage">
        <LeafLink to="slice" name="Slice" letter="s" />
        <LeafLink to="measure" name="Measures" letter="k" />
        <LeafLink to="parts" name="Each part" letter="p" />
        <LeafLink to="history" name="Decisions" letter="h" />
        <LeafLink to="characters" name="Characters" letter="y" />
        <LeafLink to="beside" name="Side by side" letter="b" />
        <LeafLink to="lesson" name="Lesson" letter="t" />
        <LeafLink to="talk" name="Talk" letter="T" />
        <button type="button" onClick={layOutAnew}>Lay out anew</button>
        <button type="button" aria-keyshortcuts="?" onClick={() => (keysOpen.value = true)}>Keys</button>
      </nav>
    </div>
  );
}

function LeafLink({ to, name, letter }: { to: NonNullable<Leaf>; name: string; letter: string }) {
  const open = leaf.value === to;
  return (
    <button type="button" aria-pressed={open} aria-keyshortcuts={letter} onClick={() => (leaf.value = open ? null : to)}>{name}</button>
  );
}

interface SliderProps {
  id: string;
  label: string;
  ends?: readonly [string, string];
  value: number;
  max: number;
  step: number;
  said: string;
  set: (value: number) => void;
}

function Slider({ id, label, ends, value, max, step, said, set }: SliderProps) {
  return (
    <div class="slider">
      <label for={`slider-${id}`}>{label} <output for={`slider-${id}`}>{said}</output></label>
      <input id={`slider-${id}`} type="range" min={0} max={max} step={step} value={value} aria-valuetext={said}
        onInput={(event) => set(Number(event.currentTarget.value))} />
      {ends && <span class="ends" aria-hidden="true"><i>{ends[0]}</i><i>{ends[1]}</i></span>}
    </div>
  );
}

/** Three states as three signs: a full, a half and an empty disc. */
export function PresenceChoice({ name, value, set, chosen = false }: { name: string; value: Presence | null; set: (p: Presence) => void; chosen?: boolean }) {
  const group = `presence-${name}`;
  return (
    <fieldset class={chosen ? "three chosen" : "three"}>
      <legend>{name}</legend>
      {PRESENCES.map((presence) => (
        <label key={presence} title={`${name}: ${presence}`}>
          <input type="radio" name={group} checked={value === presence} aria-label={`${name} ${presence}`}
            onChange={() => set(presence)} onClick={() => value === presence && chosen && set(presence)} />
          <span class={`disc ${presence}`} aria-hidden="true" />
        </label>
      ))}
    </fieldset>
  );
}

const KEYS: Record<string, readonly (readonly [string, string])[]> = {
  generation: [["permanent", "permanent"], ["deciduous", "deciduous"], ["unreplaced", "one generation"]],
  class: [["incisor", "incisor"], ["canine", "canine"], ["premolar", "premolar"], ["molar", "molar"]],
  confidence: [["unsure", "very uncertain"], ["surest", "sure"]],
};

function Colouring() {
  return (
    <fieldset class="words">
      <legend>Teeth coloured by</legend>
      {(["generation", "class", "confidence"] as const).map((key) => (
        <label key={key}><input type="radio" name="colouring" checked={colouring.value === key} onChange={() => (colouring.value = key)} /><span>{key}</span></label>
      ))}
      <ul class="key" aria-label="Key to the colours">
        {(KEYS[colouring.value] ?? []).map(([key, said]) => <li key={key}><span class={`swatch ${key}`} aria-hidden="true" />{said}</li>)}
      </ul>
    </fieldset>
  );
}

