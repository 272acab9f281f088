import { useEffect } from "preact/hooks";
import type { Brief } from "../types";
import { about, briefs, intakeOpen, loadBriefs, onStage, tellError } from "../state/desk";
import { signal } from "@preact/signals";
import { SignedIn } from "../account/Account";
import { mayManage } from "../state/role";
import { followJobs, readAgain, readingOf } from "../state/jobs";

/** Specimens picked to stand side by side. */
const together = signal<readonly string[]>([]);

/** The list of the collection: one line a specimen. */
export function Catalogue() {
  useEffect(() => followJobs(), []);
  useEffect(() => {
    document.title = "Ossicle";
    loadBriefs().catch(tellError);
  }, []);
  const all = briefs.value;
  const picked = together.value;
  return (
    <main class="catalogue">
      <header>
        <h1>{about.value?.collection ?? "Collection"}</h1>
        <p class="lead">{all === null ? "Looking the specimens up …" : all.length === 0 ? "No specimen yet." : `${all.length === 1 ? "One specimen" : `${all.length} specimens`}, read from CT scans.`}</p>
      </header>
      {all !== null && all.length === 0 && (
        <p class="empty">Nothing lies in this collection yet. Take a scan in, from a folder on this machine, or make a practice specimen with <code>ossicle practice make</code>.</p>
      )}
      {all !== null && all.length > 0 && <ol class="specimens">{all.map((b) => <Line key={b.id} brief={b} />)}</ol>}
      <div class="verbs">
        {mayManage.value && <button type="button" onClick={() => (intakeOpen.value = true)}>Take a scan in</button>}
        {picked.length > 1 && (
          <button type="button" onClick={() => {
            onStage.value = picked;
            together.value = [];
          }}>Set {picked.length} side by side</button>
        )}
      </div>
      <footer>
        {about.value?.shared && <SignedIn />}
        <p class="caution">{(about.value?.cautions ?? ["Not for clinical diagnosis."]).join(" ")}</p>
      </footer>
    </main>
  );
}

function Line({ brief }: { brief: Brief }) {
  const picked = together.value.includes(brief.id);
  const reading = readingOf(brief.id);
  const looked = brief.decided ?? 0;
  const all = looked + (brief.awaiting ?? 0);
  return (
    <li>
      {brief.picture_url ? <img src={brief.picture_url} alt="" loading="lazy" /> : <span class="no-picture" aria-hidden="true" />}
      <div>
        <h2>{brief.read ? <a href={`#/${encodeURIComponent(brief.id)}`} onClick={(e) => {
          e.preventDefault();
          onStage.value = [brief.id];
        }}>{brief.catalogue_number}</a> : brief.catalogue_number}</h2>
        <p>{brief.taxon && <em>{brief.taxon}</em>}{brief.stage && <>, {brief.stage}</>}</p>
      </div>
      <p class="numbers">{brief.formula && <span class="formula-text">{brief.formula}</span>}
        <span>{brief.read ? `${brief.teeth ?? 0} teeth found; ${looked} of ${all} findings looked at` : reading ? `being read: ${reading.stage ?? reading.state}` : brief.being_read ? "being read now" : "not read yet"}</span></p>
      {!brief.read && (reading ? <progress max={1} value={reading.fraction} aria-label={`Reading ${brief.catalogue_number}`} /> :
        mayManage.value && <button type="button" class="quiet" disabled={brief.being_read === true} onClick={() => void readAgain(brief.id)}>read it<span class="hidden">: {brief.catalogue_number}</span></button>)}
      {brief.read && (
        <label class="pick"><input type="checkbox" checked={picked} disabled={!picked && together.value.length >= 6}
          onChange={() => (together.value = picked ? together.value.filter((id) => id !== brief.id) : [...together.value, brief.id])} />
          <span>side by side<span class="hidden"> with others: {brief.catalogue_number}</span></span></label>
      )}
    </li>
  );
}
