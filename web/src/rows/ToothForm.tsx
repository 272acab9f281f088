import { useEffect, useRef, useState } from "preact/hooks";
import { api } from "../api";
import { busy, chosenPart, chosenParts, lead, teethByPart } from "../state/desk";
import type { Generation, Tooth } from "../types";
import { closeForm, keepForm, toothForm, type ToothFormKind } from "./toothacts";

const HEADS: Record<ToothFormKind, string> = {
  rename: "Rename", generation: "Generation", join: "Join into one tooth", discard: "This is no tooth", cut: "Cut along the stroke", add: "A tooth stands there",
};
const KEEP: Record<ToothFormKind, string> = { rename: "Rename", generation: "Keep", join: "Join", discard: "Discard", cut: "Cut", add: "Add" };
const GENERATIONS: readonly Generation[] = ["deciduous", "permanent", "unreplaced"];

/** What is to be said about a tooth, before it is kept. */
export function ToothForm() {
  const form = toothForm.value;
  const tooth = teethByPart.value.get(chosenPart.value ?? -1);
  const [locus, setLocus] = useState(tooth?.name ?? "");
  const [generation, setGeneration] = useState<Generation>(tooth?.generation ?? "permanent");
  const [row, setRow] = useState(false);
  const [why, setWhy] = useState("");
  const renumbering = useSuggestion(form?.kind === "rename" ? tooth : undefined, locus);
  const it = useRef<HTMLFormElement>(null);
  if (form === null) return null;
  const others = renumbering.filter((r) => r.part !== tooth?.part);
  const send = (event: Event): void => {
    event.preventDefault();
    void keepForm(form.kind === "generation" ? generation : locus.trim(), row && others.length > 0, why);
  };
  return (
    <form class="tooth-form" ref={it} onSubmit={send} onKeyDown={(e) => {
      if (e.key !== "Escape") return;
      e.stopPropagation();
      closeForm();
    }}>
      <h2>{HEADS[form.kind]} {tooth && form.kind !== "add" && <small>{tooth.jaw} {tooth.side} {tooth.name}</small>}{form.kind === "join" && <small>{chosenParts.value.length} pieces</small>}</h2>
      {form.kind === "rename" && tooth && (
        <>
          <label class="locus-field">It stands at<input name="locus" list="loci" required autoComplete="off" value={locus} onInput={(e) => setLocus(e.currentTarget.value)} /></label>
          <datalist id="loci">{lociFor(tooth).map((l) => <option key={l} value={l} />)}</datalist>
          {others.length > 0 && (
            <label class="check"><input type="checkbox" checked={row} onChange={(e) => setRow(e.currentTarget.checked)} /> renumber the row with it: {others.slice(0, 6).map((r) => `${r.from} to ${r.to}`).join(", ")}{others.length > 6 ? " …" : ""}</label>
          )}
        </>
      )}
      {form.kind === "generation" && (
        <fieldset class="words">{GENERATIONS.map((g) => <label key={g}><input type="radio" name="generation" checked={generation === g} onChange={() => setGeneration(g)} /><span>{g}</span></label>)}</fieldset>
      )}
      <label class="why-field">Why<input name="why" value={why} placeholder="may be left empty" onInput={(e) => setWhy(e.currentTarget.value)} /></label>
      <div class="verbs">
        <button type="submit" disabled={busy.value !== null}>{KEEP[form.kind]}</button>
        <button type="button" class="quiet" onClick={closeForm}>leave it</button>
      </div>
    </form>
  );
}

function useSuggestion(tooth: Tooth | undefined, locus: string): { part: number; from: string; to: string }[] {
  const [found, setFound] = useState<{ part: number; from: string; to: string }[]>([]);
  const id = lead.value?.id;
  useEffect(() => {
    setFound([]);
    if (tooth === undefined || id === undefined || locus.trim() === "" || locus.trim() === tooth.name) return undefined;
    const timer = window.setTimeout(() => {
      api.suggest(id, tooth.part, locus.trim()).then(setFound, () => setFound([]));
    }, 250);
    return () => window.clearTimeout(timer);
  }, [tooth?.part, locus, id]);
  return found;
}

/** Names in the case of the tooth's jaw, both generations. */
function lociFor(tooth: Tooth): string[] {
  const letters: readonly (readonly [string, number, boolean])[] = [["I", 5, true], ["C", 1, true], ["P", 4, true], ["M", 4, false]];
  const names = letters.flatMap(([letter, count, milk]) => {
    const own = Array.from({ length: count }, (_, i) => (letter === "C" ? "C" : `${letter}${i + 1}`));
    return milk ? [...own, ...own.map((n) => `d${n}`)] : own;
  });
  return tooth.jaw === "upper" ? names : names.map((n) => n.toLowerCase());
}
