import { mayDecide } from "../state/role";
import { signal, useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { api } from "../api";
import { number } from "../parts/names";
import { decide, lead, person, tellError } from "../state/desk";
import { stage } from "../state/eye";
import { Vector3 } from "three";
import { apply, chosenLandmark, freePoints, landmarks } from "../state/marking";
import type { Definition, Measured, Repeated, Vec3 } from "../types";
import { enough, forget, gather, gathering } from "./gather";

const definitions = signal<readonly Definition[]>([]);
/** Measures taken on this specimen since the page was opened. */
const taken = signal<readonly { specimen: string; name: string; found: Measured }[]>([]);
const repeated = signal<readonly Repeated[]>([]);
/** In repeat mode each measure counts as one more round, and earlier rounds are not shown until it is taken. */
const repeating = signal(false);

const UNITS: Record<string, string> = { deg: "°", mm2: "mm²", mm3: "mm³" };
export const measureSaid = ({ value, unit, error }: { value: number; unit: string; error: number | null }): string => {
  const u = UNITS[unit] ?? unit;
  return `${number(value, 4)} ${u}${error === null ? "" : ` ± ${number(error, 2)}`}`;
};

/** Landmarks, lengths, angles and areas, along definitions or free; and repeated rounds. */
export function MeasureLeaf() {
  const specimen = lead.value;
  useEffect(() => {
    if (definitions.value.length === 0) api.definitions().then((all) => (definitions.value = all), tellError);
  }, []);
  useEffect(() => {
    if (specimen === null) return;
    api.landmarks(specimen.id).then((all) => (landmarks.value = all), tellError);
    api.repeats(specimen.id).then((all) => (repeated.value = all), tellError);
  }, [specimen?.id, specimen?.version]);
  useEffect(() => () => forget(), []);
  if (specimen === null) return null;
  const now = gathering.value;
  return (
    <div class="measures">
      {now && (
        <p class="gathering" role="status">{now.named}: {freePoints.value.length} placed.
          {now.open && freePoints.value.length >= 3 && <button type="button" class="quiet" onClick={enough}>that is all</button>}
          <button type="button" class="quiet" onClick={forget}>leave it</button></p>
      )}
      <section aria-label="Free measures">
        <h3>Measure freely</h3>
        <div class="verbs">
          <button type="button" onClick={() => measure("length", "Length", ["one end", "the other end"])}>Length</button>
          <button type="button" onClick={() => measure("angle", "Angle", ["the first arm", "the corner", "the second arm"])}>Angle</button>
          <button type="button" onClick={() => measure("area", "Area", ["the next point of its outline"])}>Area</button>
        </div>
        {mayDecide.value && <label class="check"><input type="checkbox" checked={repeating.value} onChange={(e) => (repeating.value = e.currentTarget.checked)} /> repeat mode: keep each measure as a round of an error study</label>}
        <Taken />
      </section>
      <Rounds />
      <LandmarkList />
      <Definitions />
    </div>
  );
}

function measure(kind: string, named: string, prompts: readonly string[], definition?: Definition): void {
  const specimen = lead.value;
  if (specimen === null) return;
  gather(named, prompts, kind === "area", (points) => void take(specimen.id, kind, definition?.id ?? named.toLowerCase(), named, points));
}

async function take(id: string, kind: string, name: string, named: string, points: Vec3[]): Promise<void> {
  try {
    const found = await api.measure(id, kind, points, name);
    taken.value = [{ specimen: id, name: named, found }, ...taken.value];
    if (!repeating.value) return;
    const who = person.value.trim() || "unsigned";
    const before = repeated.value.find((r) => r.name === name && r.who === who)?.specimens.find((s) => String(s.specimen) === id);
    repeated.value = await api.repeat(id, { name, who, round: (before?.n ?? 0) + 1, kind, points });
  } catch (error) {
    tellError(error);
  } finally {
    freePoints.value = [];
  }
}

function Taken() {
  const mine = taken.value.filter((t) => t.specimen === lead.value?.id);
  if (mine.length === 0) return null;
  return (
    <dl class="taken">
      {mine.map((t, i) => (
        <div key={`${t.name} ${mine.length - i}`} title={t.found.method}><dt>{t.name}</dt><dd>{repeating.value && i > 0 ? "kept" : measureSaid(t.found)}</dd></div>
      ))}
    </dl>
  );
}

function Rounds() {
  const id = lead.value?.id;
  const mine = repeated.value.flatMap((r) => r.specimens.filter((s) => String(s.specimen) === id).map((s) => ({ ...r, here: s })));
  if (mine.length === 0) return null;
  return (
    <section aria-label="Repeated rounds">
      <h3>Repeated rounds</h3>
      <ul>
        {mine.map((r) => {
          const unit = UNITS[r.unit ?? ""] ?? r.unit ?? "";
          return (
            <li key={`${r.name} ${r.who}`} title={r.method}>{r.name}, {r.who}: {r.here.n === 1 ? "one round" : `${r.here.n} rounds`}
              {r.here.n > 1 && <>, mean {number(r.here.mean, 4)} {unit}, SD {r.here.sd === null ? "not known" : `${number(r.here.sd, 2)} ${unit}`}</>}
              {r.tem !== null && <>; TEM over specimens {number(r.tem, 3)} {unit} ({number(r.tem_percent ?? 0, 2)} %)</>}.</li>
          );
        })}
      </ul>
    </section>
  );
}

function LandmarkList() {
  const name = useSignal("");
  const place = (which: string): void => {
    chosenLandmark.value = which;
    gather(which, ["where it lies"], false, (points) => {
      freePoints.value = [];
      if (points[0]) void decide({ kind: "landmark", name: which, point: points[0] }, `${which} placed`);
    });
  };
  return (
    <section aria-label="Landmarks">
      <h3>Landmarks</h3>
      {landmarks.value.length === 0 && <p class="soft">None has been found or placed yet.</p>}
      <ul>
        {landmarks.value.map((l) => (
          <li key={l.name} class={chosenLandmark.value === l.name ? "chosen" : ""}>
            <button type="button" class="part-link" title={l.text ?? ""} onClick={() => lookAt(l.name, l.point_scan_mm)}>{l.name}</button>
            <span class="soft">{l.point_scan_mm === null ? "not found" : l.decided_by === "person" ? "placed" : "found"}</span>
            {mayDecide.value && <button type="button" class="quiet" onClick={() => place(l.name)}>{l.point_scan_mm ? "move" : "place"}</button>}
          </li>
        ))}
      </ul>
      {mayDecide.value && <form class="new-landmark" onSubmit={(e) => {
        e.preventDefault();
        if (name.value.trim() !== "") place(name.value.trim());
        name.value = "";
      }}>
        <label>Another<input name="landmark" placeholder="its name" value={name.value} onInput={(e) => (name.value = e.currentTarget.value)} /></label>
        <button type="submit" class="quiet">place</button>
      </form>}
    </section>
  );
}

function lookAt(name: string, point: Vec3 | null): void {
  chosenLandmark.value = name;
  const on = stage.value;
  const specimen = lead.value;
  if (point === null || on === null || specimen === null) return;
  const aim = on.aim;
  on.fit = null;
  on.goTo({ ...aim, look: aim.look.clone(), up: aim.up.clone(), centre: new Vector3(...apply(specimen.scan.scan_to_skull, point)) });
}

function Definitions() {
  const specimen = lead.value;
  const found = new Map((specimen?.account.measurements ?? []).map((m) => [m.name, m]));
  return (
    <section aria-label="Along definitions">
      <h3>Along definitions</h3>
      <ul class="definitions">
        {definitions.value.map((d) => {
          const computed = found.get(d.id) ?? found.get(d.name);
          return (
            <li key={d.id}>
              <span title={`${d.definition} (${d.source})`}>{d.name}</span>
              <span class="value">{computed ? measureSaid(computed) : ""}</span>
              <button type="button" class="quiet" aria-label={`Measure ${d.name}`} onClick={() => measure("definition", d.name, d.ends.length >= 2 ? d.ends.slice(0, 2) : ["one end", "the other end"], d)}>measure</button>
            </li>
          );
        })}
      </ul>
    </section>
  );
}
