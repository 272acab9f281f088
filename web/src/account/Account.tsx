import { useEffect, useRef } from "preact/hooks";
import { about, briefs, chosenFinding, lead, loadBriefs, onStage, person, redo, stand, tellError, undo, unsigned } from "../state/desk";
import { mayDecide, mayManage } from "../state/role";
import { followJobs, readAgain, readingOf } from "../state/jobs";
import { api } from "../api";
import { goOn } from "./acts";
import { Formula } from "./Formula";
import { chapters, filter, FILTERS, sequence } from "./order";
import { Sentence } from "./Sentence";

/** The account of the leading specimen, as prose by region. */
export function AccountPlace() {
  const specimen = lead.value;
  if (specimen === null) {
    return <section class="account" aria-label="Account" data-place="account"><p class="before">Opening the account …</p></section>;
  }
  const { looked, all } = specimen.progress;
  const { catalogue_number, taxon, stage } = specimen.specimen;
  const many = chapters.value;
  const firstId = sequence.value[0]?.id;
  const chosenShown = sequence.value.some((f) => f.id === chosenFinding.value);
  return (
    <section class="account" aria-label="Account" data-place="account">
      <header>
        <p class="whence"><a href="#/" onClick={(e) => {
          e.preventDefault();
          onStage.value = [];
        }}>All specimens</a> <Beside /></p>
        <h1>{catalogue_number}</h1>
        <p class="who-is-it">{taxon && <em>{taxon}</em>}{stage && <>, {stage}</>}</p>
        <Formula formula={specimen.account.formula} />
        <Progress looked={looked} all={all} />
        <fieldset class="words filter">
          <legend>Show</legend>
          {FILTERS.map(([key, said]) => (
            <label key={key}><input type="radio" name="filter" checked={filter.value === key} onChange={() => (filter.value = key)} /><span>{said}</span></label>
          ))}
        </fieldset>
      </header>
      <div class="prose" tabIndex={-1} onKeyDown={(event) => {
        if (event.target instanceof HTMLTextAreaElement || event.target instanceof HTMLInputElement) return;
        if (event.key === "ArrowDown" || event.key === "ArrowUp") {
          event.preventDefault();
          goOn(event.key === "ArrowDown" ? 1 : -1, false);
        }
      }}>
        <Unfit />
        {many.length === 0 && <p class="empty">{filter.value === "awaiting" ? "Nothing awaits a decision: every finding has been looked at." : "No finding is of this kind."}</p>}
        {many.map((chapter) => (
          <section key={chapter.key} aria-labelledby={`chapter-${chapter.key.replace("/", "-")}`}>
            <h2 id={`chapter-${chapter.key.replace("/", "-")}`}>{chapter.heading}</h2>
            <ul>
              {chapter.findings.map((f) => <Sentence key={f.id} finding={f} first={!chosenShown && f.id === firstId} />)}
            </ul>
          </section>
        ))}
        {specimen.account.warnings.length > 0 && (
          <section class="warnings" aria-labelledby="chapter-warnings">
            <h2 id="chapter-warnings">Warnings</h2>
            <ul>{specimen.account.warnings.map((w) => <li key={w}>{w}</li>)}</ul>
          </section>
        )}
      </div>
      <footer>
        {about.value?.shared ? <SignedIn /> : mayDecide.value ? <Signature /> : <p class="soft">{about.value?.read_only ?? ""}</p>}
        {mayDecide.value && <div class="verbs back">
          <button type="button" class="quiet" aria-keyshortcuts="u" disabled={specimen.undoable === null} title={specimen.undoable ?? ""} onClick={() => void undo()}>undo</button>
          <button type="button" class="quiet" aria-keyshortcuts="Shift+U" disabled={specimen.redoable === null} title={specimen.redoable ?? ""} onClick={() => void redo()}>do again</button>
        </div>}
        <p class="caution">{specimen.cautions.join(" ")}</p>
      </footer>
    </section>
  );
}

/** Sets another specimen beside those on the stage. */
function Beside() {
  useEffect(() => {
    if (briefs.value === null) loadBriefs().catch(tellError);
  }, []);
  const others = (briefs.value ?? []).filter((b) => b.read && !onStage.value.includes(b.id));
  if (others.length === 0 || onStage.value.length >= 6) return null;
  return (
    <select aria-label="Set another specimen beside it" value="" onChange={(e) => {
      stand(e.currentTarget.value, true);
      e.currentTarget.value = "";
    }}>
      <option value="">set another beside it</option>
      {others.map((b) => <option key={b.id} value={b.id}>{b.catalogue_number}{b.stage ? `, ${b.stage}` : ""}</option>)}
    </select>
  );
}

function Progress({ looked, all }: { looked: number; all: number }) {
  return (
    <p class="progress">
      <progress max={all} value={looked} aria-label="Findings looked at" />
      <span>{looked} of {all} looked at</span>
    </p>
  );
}

function Unfit() {
  const specimen = lead.value;
  useEffect(() => followJobs(), []);
  if (specimen === null) return null;
  const { unfit, waiting, reading, id } = specimen;
  const now = readingOf(id);
  if (unfit.length === 0 && waiting.length === 0 && !reading.stale && now === undefined) return null;
  return (
    <section class="unfit" aria-labelledby="chapter-unfit">
      <h2 id="chapter-unfit">Decisions and the reading</h2>
      <ul>
        {unfit.map((f) => <li key={f.number}>{f.words} ({f.who}) no longer fits: {f.why}.</li>)}
        {waiting.map((f) => <li key={f.number}>{f.words} ({f.who}) waits for the next reading{f.why ? `: ${f.why}` : ""}.</li>)}
        {now ? (
          <li>The scan is being read again: {now.stage ?? now.state}. <progress max={1} value={now.fraction} aria-label="Reading again" /></li>
        ) : (
          (reading.stale || waiting.length > 0) && <li>A new reading would heed what was decided since the last one. {mayManage.value && <button type="button" class="quiet" onClick={() => void readAgain(id)}>read it again</button>}</li>
        )}
      </ul>
    </section>
  );
}

const ROLES = { read: "looks and measures", decide: "decides", manage: "decides and manages" };

/** Who has signed in at a shared desk, and the way out. */
export function SignedIn() {
  const told = about.value;
  if (told === null) return null;
  return (
    <p class="signed-in">{told.person} <span class="soft">{ROLES[told.role]}</span> <button type="button" class="quiet" onClick={() => void api.leave()}>sign out</button></p>
  );
}

/** Under whose name decisions are kept; asked for at the first decision. */
function Signature() {
  const field = useRef<HTMLInputElement>(null);
  const asked = unsigned.value !== null;
  useEffect(() => {
    if (asked) field.current?.focus();
  }, [asked]);
  const sign = (event: Event): void => {
    event.preventDefault();
    const name = field.current?.value.trim() ?? "";
    if (name === "") return;
    person.value = name;
    const then = unsigned.value;
    unsigned.value = null;
    field.current?.blur();
    if (then) void then();
  };
  return (
    <form class={asked ? "signature asked" : "signature"} onSubmit={sign}>
      <label>{asked ? "Under which name is it kept?" : "Deciding as"}
        <input ref={field} name="person" autoComplete="name" placeholder="your name" defaultValue={person.value} onBlur={(e) => {
          if (!asked) person.value = e.currentTarget.value.trim();
        }} />
      </label>
      {asked && <button type="submit">Sign</button>}
    </form>
  );
}

