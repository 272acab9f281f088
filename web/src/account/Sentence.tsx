import { useRef, useState } from "preact/hooks";
import type { Finding } from "../types";
import { busy, chosenFinding, choosePart, lead } from "../state/desk";
import { nameOfPart, percent, sure, UNCERTAIN } from "../parts/names";
import { mayDecide } from "../state/role";
import { agree, anchorOf, chooseFinding, draftKey, sayIt, saying, startSaying } from "./acts";
import { STANDING } from "./order";

/** One finding: its sign in the margin, the sentence, and, when it is chosen, what may be said of it. */
export function Sentence({ finding, first }: { finding: Finding; first: boolean }) {
  const chosen = chosenFinding.value === finding.id;
  const { sign, word } = STANDING[finding.standing];
  const unsure = finding.confidence < UNCERTAIN;
  return (
    <li id={anchorOf(finding.id)} class={`finding ${finding.standing}${chosen ? " chosen" : ""}${unsure ? " unsure" : ""}`}>
      <span class="sign" aria-hidden="true">{sign}</span>
      <button type="button" class="sentence" aria-expanded={chosen} tabIndex={chosen || first ? 0 : -1}
        onClick={() => chooseFinding(chosen && saying.value === null ? null : finding.id)}>
        {finding.statement} <span class="standing">{word}{finding.standing === "computed" ? `, ${sure(finding.confidence)}` : ""}</span>
      </button>
      {chosen && <Acts finding={finding} />}
    </li>
  );
}

function Acts({ finding }: { finding: Finding }) {
  const specimen = lead.value;
  const method = specimen?.account.methods[finding.method];
  const still = busy.value !== null;
  return (
    <div class="acts">
      <div class="verbs">
        {mayDecide.value && (
          <>
            <button type="button" aria-keyshortcuts="a" disabled={still || finding.standing === "agreed"} onClick={() => void agree()}>Agree</button>
            <button type="button" aria-keyshortcuts="m" disabled={still} aria-expanded={saying.value === "amend"} onClick={() => startSaying("amend")}>Amend</button>
            <button type="button" aria-keyshortcuts="d" disabled={still} aria-expanded={saying.value === "dispute"} onClick={() => startSaying("dispute")}>Dispute</button>
          </>
        )}
        <button type="button" class="quiet" aria-keyshortcuts="e" onClick={() => chooseFinding(finding.id)}>show again</button>
      </div>
      {saying.value !== null && <SayForm finding={finding} what={saying.value} />}
      {specimen && finding.evidence.parts.length > 0 && (
        <p class="shown-by">Shown by{" "}
          {finding.evidence.parts.slice(0, 24).map((part, i) => (
            <span key={part}>{i > 0 ? ", " : ""}<button type="button" class="part-link" onClick={() => choosePart(part)}>{nameOfPart(specimen, part)}</button></span>
          ))}
          {finding.evidence.parts.length > 24 && ` and ${finding.evidence.parts.length - 24} more`}.
        </p>
      )}
      <details class="how">
        <summary>{percent(finding.confidence)} sure; how it was made</summary>
        {method && <p><b>{method.title}.</b> {method.text} <cite>{method.source}</cite></p>}
      </details>
    </div>
  );
}

function SayForm({ finding, what }: { finding: Finding; what: "amend" | "dispute" }) {
  const key = draftKey(finding.id);
  const draft = readDraft(key);
  const [why, setWhy] = useState(draft.why ?? "");
  const [statement, setStatement] = useState(draft.statement ?? finding.statement);
  const simple = typeof finding.value === "number" || typeof finding.value === "string";
  const [value, setValue] = useState(draft.value ?? (simple ? String(finding.value) : ""));
  const form = useRef<HTMLFormElement>(null);
  // Kept at every letter, before anything is drawn: a page that dies then loses none.
  const draftOf = (next: Partial<{ why: string; statement: string; value: string }>): void => {
    const now = { why, statement, value, ...next };
    if (now.why !== "" || now.statement !== finding.statement) localStorage.setItem(key, JSON.stringify(now));
  };
  const send = (event: Event): void => {
    event.preventDefault();
    void sayIt(what, why.trim(), statement.trim(), parsed(finding.value, value, statement));
  };
  return (
    <form class="saying" ref={form} onSubmit={send} onKeyDown={(e) => {
      if (e.key === "Enter" && (e.ctrlKey || e.metaKey)) form.current?.requestSubmit();
      if (e.key === "Escape") {
        e.stopPropagation();
        saying.value = null;
        document.querySelector<HTMLElement>(".finding.chosen .sentence")?.focus();
      }
    }}>
      {what === "amend" && <label>It should read<textarea rows={3} required value={statement} onInput={(e) => {
        draftOf({ statement: e.currentTarget.value });
        setStatement(e.currentTarget.value);
      }} /></label>}
      {what === "amend" && simple && <label>Value{finding.unit ? `, ${finding.unit}` : ""}<input required value={value} onInput={(e) => {
        draftOf({ value: e.currentTarget.value });
        setValue(e.currentTarget.value);
      }} /></label>}
      <label>{what === "amend" ? "Why" : "What is doubtful"}<textarea rows={2} required value={why} onInput={(e) => {
        draftOf({ why: e.currentTarget.value });
        setWhy(e.currentTarget.value);
      }} /></label>
      <div class="verbs">
        <button type="submit" disabled={busy.value !== null}>{what === "amend" ? "Keep the amendment" : "Keep the dispute"}</button>
        <button type="button" class="quiet" onClick={() => (saying.value = null)}>leave it</button>
      </div>
    </form>
  );
}

function parsed(before: unknown, text: string, statement: string): unknown {
  if (typeof before === "number") {
    const value = Number(text.replace(",", "."));
    return Number.isFinite(value) ? value : text;
  }
  return typeof before === "string" ? text : (before ?? statement);
}

function readDraft(key: string): { why?: string; statement?: string; value?: string } {
  try {
    return JSON.parse(localStorage.getItem(key) ?? "{}") as { why?: string; statement?: string; value?: string };
  } catch {
    return {};
  }
}
