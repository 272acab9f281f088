import { signal, useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { api } from "../api";
import { about, intakeOpen, onStage, person, tellError } from "../state/desk";
import type { Places, ScanTold } from "../types";
import { mayManage } from "../state/role";
import { Jobs } from "./Jobs";

const place = signal<Places | null>(null);
const chosen = signal<ScanTold | null>(null);

/** The catalogue terms that are asked for first; the others can be added with `ossicle describe`. Darwin Core's names. */
const TERMS: readonly (readonly [string, string, string])[] = [
  ["catalogNumber", "Catalogue number", "as on the label"],
  ["scientificName", "Scientific name", "genus and species"],
  ["lifeStage", "Stage", "newborn, juvenile, adult"],
  ["sex", "Sex", ""],
  ["institutionCode", "Institution", ""],
  ["locality", "Locality", "coarsen it for threatened species"],
];

/** Taking scans in: choose a folder on the desk's machine, say what is lacking, watch the reading. */
export function Intake() {
  useEffect(() => {
    document.title = "Take a scan in · Ossicle";
    if (place.value === null && mayManage.value) void go(null);
  }, []);
  return (
    <main class="intake">
      <header>
        <p class="whence"><a href="#/" onClick={(e) => {
          e.preventDefault();
          intakeOpen.value = false;
          onStage.value = [];
        }}>All specimens</a></p>
        <h1>Take a scan in</h1>
        <p class="lead">Choose where the slices lie on this machine. They are copied into the collection; the files themselves are left as they are.</p>
      </header>
      {!mayManage.value && <p class="empty">Taking scans in asks for the role that manages. Who manages this desk can do it, or give you the role.</p>}
      {mayManage.value && <div class="intake-columns">
        <Chooser />
        <div>
          {chosen.value ? <Form scan={chosen.value} /> : <p class="empty">Nothing is chosen yet.</p>}
          <Jobs />
        </div>
      </div>}
      <footer><p class="caution">{(about.value?.cautions ?? ["Not for clinical diagnosis."]).join(" ")}</p></footer>
    </main>
  );
}

async function go(path: string | null): Promise<void> {
  try {
    place.value = await api.places(path);
  } catch (error) {
    tellError(error);
  }
}

async function look(path: string): Promise<void> {
  try {
    chosen.value = await api.scanTold(path);
  } catch (error) {
    tellError(error);
  }
}

function Chooser() {
  const here = place.value;
  return (
    <section class="chooser" aria-label="Folders on this machine">
      <h2>{here?.path ?? "Places that may be chosen"}</h2>
      {here === null ? <p class="empty">Looking …</p> : (
        <ul>
          {here.path !== null && <li><button type="button" class="part-link" onClick={() => void go(here.parent)}>{here.parent === null ? "all places" : "the folder above"}</button></li>}
          {here.folders.map((f) => <li key={f.path} class="folder"><button type="button" class="part-link" onClick={() => void go(f.path)}>{f.name}/</button></li>)}
          {here.scans.map((s) => (
            <li key={s.path} class={chosen.value?.path === s.path ? "scan chosen" : "scan"}>
              <button type="button" class="part-link" onClick={() => void look(s.path)}>{s.whole_folder ? "this folder as one scan" : s.name}</button> <span class="soft">{s.format}</span>
            </li>
          ))}
          {here.folders.length === 0 && here.scans.length === 0 && <li class="empty">Neither folders nor scans lie here.</li>}
          {here.more && <li class="soft">More lies here than is listed.</li>}
        </ul>
      )}
    </section>
  );
}

function Form({ scan }: { scan: ScanTold }) {
  const values = useSignal<Record<string, string>>({});
  const spacing = useSignal("");
  const series = useSignal(scan.series[0]?.id ?? "");
  const mirrored = useSignal(false);
  const read = useSignal(true);
  const set = (key: string, value: string): void => {
    values.value = { ...values.value, [key]: value };
  };
  const lacking = scan.spacing_mm_zyx === null && scan.series.length === 0;
  const send = (event: Event): void => {
    event.preventDefault();
    const terms = Object.fromEntries(Object.entries(values.value).filter(([, v]) => v.trim() !== ""));
    api.intake({
      source: scan.path, terms, read: read.value, mirrored: mirrored.value, who: person.value.trim() || null,
      ...(spacing.value.trim() === "" ? {} : { spacing_mm: spacing.value.trim() }), ...(series.value === "" ? {} : { series: series.value }),
    }).then(() => (chosen.value = null), tellError);
  };
  return (
    <form class="intake-form" onSubmit={send}>
      <h2>{scan.name}</h2>
      <p class="soft">{scan.format}{scan.shape_zyx && <>, {scan.shape_zyx[0]} slices of {scan.shape_zyx[2]} by {scan.shape_zyx[1]}</>}
        {scan.spacing_mm_zyx && <>, voxels of {scan.spacing_mm_zyx.map((v) => v.toPrecision(3)).join(" by ")} mm{scan.said_by ? ` (${scan.said_by})` : ""}</>}.</p>
      {scan.series.length > 1 && (
        <label>Series<select value={series.value} onChange={(e) => (series.value = e.currentTarget.value)}>{scan.series.map((s) => <option key={s.id} value={s.id}>{s.words}</option>)}</select></label>
      )}
      <label>{lacking ? "Spacing, mm: the files do not state it" : "Spacing, mm, if it is other than stated"}
        <input name="spacing" inputMode="decimal" required={lacking} placeholder="0.05, or slice,row,column" value={spacing.value} onInput={(e) => (spacing.value = e.currentTarget.value)} /></label>
      {lacking && scan.hint && <p class="soft">{scan.hint}</p>}
      {TERMS.map(([key, name, hint]) => (
        <label key={key}>{name}<input name={key} placeholder={hint} required={key === "catalogNumber"} value={values.value[key] ?? ""} onInput={(e) => set(key, e.currentTarget.value)} /></label>
      ))}
      {scan.handedness_known === false && (
        <label class="check"><input type="checkbox" checked={mirrored.value} onChange={(e) => (mirrored.value = e.currentTarget.checked)} /> the scanner’s export mirrors (nothing in the files tells)</label>
      )}
      <label class="check"><input type="checkbox" checked={read.value} onChange={(e) => (read.value = e.currentTarget.checked)} /> read it at once</label>
      <div class="verbs"><button type="submit">Take it in</button><button type="button" class="quiet" onClick={() => (chosen.value = null)}>leave it</button></div>
    </form>
  );
}
