import { useEffect, useRef, useState } from "preact/hooks";
import { STANDING } from "../account/order";
import { nameOfPart, sure } from "../parts/names";
import {
  characterAnchor, characterFilter, CHARACTER_FILTERS, characters, charactersShown, chooseCharacter, chosenCharacter, confirmCharacter,
  loadCharacters, mayConfirm, nextCharacter, sayState, scoreDraft, scoring, startScoring,
} from "../state/characters";
import { evidenceTaken, evidenceWanted } from "../state/address";
import { busy, choosePart, lead } from "../state/desk";
import { mayDecide } from "../state/role";
import type { CharacterCell, CharacterTold } from "../types";

const REGIONS: Record<string, string> = { dentition: "Dentition", palate: "Palate", jaw: "Lower jaw", ear: "Ear region", braincase: "Braincase", skull: "Skull" };

/** Each character of the specimen: its state, what shows it, and what persons say. */
export function CharactersLeaf() {
  const specimen = lead.value;
  useEffect(() => {
    void loadCharacters();
  }, [specimen?.id, specimen?.version, specimen?.reading.number]);
  const all = characters.value;
  useEffect(() => {
    const id = chosenCharacter.value;
    if (all === null || id === null) return;
    // A link that was made while a character was shown shows it again.
    if (evidenceWanted) {
      evidenceTaken();
      chooseCharacter(id);
    } else document.getElementById(characterAnchor(id))?.scrollIntoView({ block: "nearest" });
  }, [all === null]);
  if (specimen === null || all === null) return <div class="characters"><p class="empty">Scoring the characters …</p></div>;
  const shown = charactersShown.value;
  const regions = [...new Set(shown.map((c) => c.region))];
  const looked = all.filter((c) => c.said.length > 0).length;
  const first = shown.some((c) => c.id === chosenCharacter.value) ? null : shown[0]?.id;
  return (
    <div class="characters" onKeyDown={(event) => {
      if (event.target instanceof HTMLTextAreaElement || event.target instanceof HTMLInputElement) return;
      if (event.key === "ArrowDown" || event.key === "ArrowUp") {
        event.preventDefault();
        nextCharacter(event.key === "ArrowDown" ? 1 : -1, false);
      }
    }}>
      <p class="progress"><progress max={all.length} value={looked} aria-label="Characters that a person has scored" /><span>{looked} of {all.length} scored by a person</span></p>
      <fieldset class="words filter">
        <legend>Show</legend>
        {CHARACTER_FILTERS.map(([key, said]) => (
          <label key={key}><input type="radio" name="character-filter" checked={characterFilter.value === key} onChange={() => (characterFilter.value = key)} /><span>{said}</span></label>
        ))}
      </fieldset>
      {shown.length === 0 && <p class="empty">{characterFilter.value === "awaiting" ? "A person has scored every character." : "No character is of this kind."}</p>}
      {regions.map((region) => (
        <section key={region} aria-label={`Characters: ${REGIONS[region] ?? region}`}>
          <h3>{REGIONS[region] ?? region}</h3>
          <ul>{shown.filter((c) => c.region === region).map((c) => <Character key={c.id} told={c} first={c.id === first} />)}</ul>
        </section>
      ))}
    </div>
  );
}

/** A state in words: what the sign beside it means. */
export function stateSaid(states: readonly string[], cell: CharacterCell): string {
  const named = cell.states.map((s) => states[Number(s)] ?? s);
  if (cell.status === "missing") return "not told";
  if (cell.status === "inapplicable") return "does not apply";
  if (cell.status === "uncertain") return `either ${named.join(" or ")}`;
  return cell.status === "polymorphic" ? `both ${named.join(" and ")}` : named.join("");
}

function standingSaid(c: CharacterTold): { sign: string; word: string } {
  if (c.cell.standing === "computed" && !c.by_rule) return { sign: "○", word: "awaits a person" };
  if (c.cell.standing === "amended" && !c.by_rule) return { sign: "✓", word: "scored by a person" };
  const { sign, word } = STANDING[c.cell.standing];
  const confidence = c.cell.standing === "computed" && c.cell.confidence !== null ? `, ${sure(c.cell.confidence)}` : "";
  return { sign, word: `${word}${confidence}` };
}

function Character({ told, first }: { told: CharacterTold; first: boolean }) {
  const chosen = chosenCharacter.value === told.id;
  const { sign, word } = standingSaid(told);
  const otherwise = told.rule !== null && told.rule.text !== told.cell.text;
  return (
    <li id={characterAnchor(told.id)} class={`finding character ${told.cell.standing}${chosen ? " chosen" : ""}`}>
      <span class="sign" aria-hidden="true">{sign}</span>
      <button type="button" class="sentence" aria-expanded={chosen} tabIndex={chosen || first ? 0 : -1} onClick={() => chooseCharacter(chosen && !scoring.value ? null : told.id)}>
        {told.name}: <span class={`cell-sign ${told.cell.status}`} aria-hidden="true">{told.cell.text === "-" ? "–" : told.cell.text}</span> <b>{stateSaid(told.states, told.cell)}</b>{" "}
        <span class="standing">{word}{otherwise && told.rule ? `; the rule says ${stateSaid(told.states, told.rule)}` : ""}</span>
      </button>
      {chosen && <Acts told={told} />}
    </li>
  );
}

function Acts({ told }: { told: CharacterTold }) {
  const specimen = lead.value;
  const still = busy.value !== null;
  const parts = told.evidence.parts;
  return (
    <div class="acts">
      <div class="verbs">
        {mayDecide.value && (
          <>
            <button type="button" aria-keyshortcuts="a" disabled={still || !mayConfirm(told)} onClick={() => void confirmCharacter()}>Confirm</button>
            <button type="button" aria-keyshortcuts="m" disabled={still} aria-expanded={scoring.value} onClick={startScoring}>{told.by_rule ? "Another state" : "Score it"}</button>
          </>
        )}
        {told.evidence.view !== null && <button type="button" class="quiet" aria-keyshortcuts="e" onClick={() => chooseCharacter(told.id)}>show again</button>}
      </div>
      {scoring.value && <ScoreForm key={told.id} told={told} />}
      {told.fault !== null && <p class="fault" role="alert">{told.fault}</p>}
      <p class="why">{told.cell.why}</p>
      {specimen && parts.length > 0 ? (
        <p class="shown-by">Shown by{" "}
          {parts.slice(0, 24).map((part, i) => <span key={part}>{i > 0 ? ", " : ""}<button type="button" class="part-link" onClick={() => choosePart(part)}>{nameOfPart(specimen, part)}</button></span>)}
          {parts.length > 24 && ` and ${parts.length - 24} more`}.
        </p>
      ) : <p class="shown-by">No part of the reading shows it.</p>}
      <details class="how">
        <summary>States and source</summary>
        <ol start={0}>{told.states.map((state) => <li key={state}>{state}</li>)}</ol>
        {told.ordered && <p>Ordered: a change from the first to the third passes through the second.</p>}
        {told.note && <p>{told.note}</p>}
        <p><cite>{told.source}{told.number ? `, character ${told.number}` : ""}{told.from_memory ? " (from memory)" : ""}</cite></p>
      </details>
    </div>
  );
}

const UNKNOWN = "?";
const NONE = "-";

/** The text of a cell as a matrix has it. */
function written(states: readonly string[], open: boolean): string {
  const sorted = [...states].sort();
  if (sorted.length === 1) return sorted[0] ?? UNKNOWN;
  return open ? `{${sorted.join("")}}` : `(${sorted.join("")})`;
}

function ScoreForm({ told }: { told: CharacterTold }) {
  const key = scoreDraft(told.id);
  const draft = readDraft(key);
  const begin = told.cell.status === "missing" ? (told.said.length > 0 ? [UNKNOWN] : []) : told.cell.status === "inapplicable" ? [NONE] : told.cell.states;
  const [states, setStates] = useState<readonly string[]>(draft.states ?? begin);
  const [open, setOpen] = useState(draft.open ?? told.cell.status === "uncertain");
  const [why, setWhy] = useState(draft.why ?? "");
  const form = useRef<HTMLFormElement>(null);
  const keep = (next: Draft): void => localStorage.setItem(key, JSON.stringify({ states, open, why, ...next }));
  const toggle = (state: string): void => {
    const single = state === UNKNOWN || state === NONE;
    const rest = states.filter((s) => s !== state && s !== UNKNOWN && s !== NONE);
    const next = states.includes(state) ? rest : single ? [state] : [...rest, state];
    setStates(next);
    keep({ states: next });
  };
  const text = states.length === 0 ? null : written(states, open);
  const differs = told.rule !== null && text !== told.rule.text;
  const choices: (readonly [string, string])[] = [...told.states.map((s, i) => [String(i), s] as const), [UNKNOWN, "not known"], [NONE, "does not apply"]];
  return (
    <form class="saying scoring" ref={form} onSubmit={(event) => {
      event.preventDefault();
      if (text !== null) void sayState(text, why.trim());
    }} onKeyDown={(e) => {
      if (e.key === "Enter" && (e.ctrlKey || e.metaKey)) form.current?.requestSubmit();
      if (e.key === "Escape") {
        e.stopPropagation();
        scoring.value = false;
        document.getElementById(characterAnchor(told.id))?.querySelector<HTMLElement>(".sentence")?.focus();
      }
    }}>
      <fieldset class="states">
        <legend>The specimen shows</legend>
        {choices.map(([state, said]) => (
          <label key={state} class="check"><input type="checkbox" checked={states.includes(state)} onChange={() => toggle(state)} /> <span class="cell-sign" aria-hidden="true">{state === NONE ? "–" : state}</span> {said}</label>
        ))}
      </fieldset>
      {states.length > 1 && (
        <fieldset class="words">
          <legend>Of these</legend>
          {([[false, "all are shown"], [true, "one, not sure which"]] as const).map(([value, said]) => (
            <label key={said}><input type="radio" name="open-states" checked={open === value} onChange={() => {
              setOpen(value);
              keep({ open: value });
            }} /><span>{said}</span></label>
          ))}
        </fieldset>
      )}
      <label>Why{differs ? "" : " (may stay empty)"}<textarea rows={2} required={differs} value={why} onInput={(e) => {
        keep({ why: e.currentTarget.value });
        setWhy(e.currentTarget.value);
      }} /></label>
      <div class="verbs">
        <button type="submit" disabled={busy.value !== null || text === null}>Keep the score</button>
        <button type="button" class="quiet" onClick={() => (scoring.value = false)}>leave it</button>
        {differs && text !== null && told.rule !== null && <span class="soft">What the rule says ({stateSaid(told.states, told.rule)}) is kept beside it.</span>}
      </div>
    </form>
  );
}

interface Draft {
  states?: readonly string[];
  open?: boolean;
  why?: string;
}

function readDraft(key: string): Draft {
  try {
    return JSON.parse(localStorage.getItem(key) ?? "{}") as Draft;
  } catch {
    return {};
  }
}
