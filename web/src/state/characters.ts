import { computed, effect, signal } from "@preact/signals";
import { api } from "../api";
import type { CharacterTold } from "../types";
import { atOnce } from "./atonce";
import { chosenFinding, chosenParts, decide, lead, tellError } from "./desk";
import { goToView } from "./eye";
import { refusesDeciding } from "./role";
import { evidence, leaf } from "./showing";

/** The characters of the leading specimen, which one is looked at, and what is being said of it. */

export const characters = signal<readonly CharacterTold[] | null>(null);
export const chosenCharacter = signal<string | null>(null);
export const scoring = signal(false);

export type CharacterFilter = "all" | "awaiting" | "open" | "otherwise";
export const CHARACTER_FILTERS: readonly (readonly [CharacterFilter, string])[] = [
  ["all", "all"], ["awaiting", "awaiting a person"], ["open", "not settled"], ["otherwise", "told otherwise"],
];
export const characterFilter = signal<CharacterFilter>("all");

/** Whether nobody has said anything of it yet, or those who did differ. */
export const awaitsScore = (c: CharacterTold): boolean => c.said.length === 0 || c.cell.standing === "disputed";
/** Whether the person may say yes to what stands there: not where nobody and no rule has said anything. */
export const mayConfirm = (c: CharacterTold): boolean => c.by_rule || c.said.length > 0;

const kept: Record<CharacterFilter, (c: CharacterTold) => boolean> = {
  all: () => true,
  awaiting: awaitsScore,
  open: (c) => c.cell.status === "missing" || c.cell.status === "uncertain",
  otherwise: (c) => c.rule !== null && c.rule.text !== c.cell.text,
};

export const charactersShown = computed(() =>
  (characters.value ?? []).filter((c) => kept[characterFilter.value](c) || c.id === chosenCharacter.value));
export const characterNow = computed(() => (characters.value ?? []).find((c) => c.id === chosenCharacter.value) ?? null);
/** Parts that the names over the stage are set to, while a character's evidence is shown. */
export const characterParts = computed(() => (evidence.value === null ? [] : (characterNow.value?.evidence.parts ?? [])));

effect(() => {
  if (chosenFinding.value === null && leaf.value === "characters") return;
  if (chosenCharacter.peek() !== null && chosenFinding.value === null) evidence.value = null;
  chosenCharacter.value = null;
});
effect(() => {
  if (chosenCharacter.value === null) scoring.value = false;
});

let askedFor = "";
/** Asks for the characters of the specimen as it stands now. */
export async function loadCharacters(): Promise<void> {
  const specimen = lead.value;
  if (specimen === null) return;
  const wanted = `${specimen.id}.${specimen.reading.number}.${specimen.version}`;
  if (wanted === askedFor && characters.value !== null) return;
  if (!askedFor.startsWith(`${specimen.id}.`)) characters.value = null;
  askedFor = wanted;
  try {
    const told = await api.characters(specimen.id);
    if (askedFor === wanted) characters.value = told.characters;
  } catch (error) {
    askedFor = "";
    tellError(error);
  }
}

export const characterAnchor = (id: string): string => `character-${id}`;

/** Chooses a character: the stage turns to what shows its state. */
export function chooseCharacter(id: string | null, focus = false): void {
  scoring.value = false;
  chosenFinding.value = null;
  chosenCharacter.value = id;
  evidence.value = null;
  const now = characterNow.value;
  if (now === null) return;
  const { parts, view } = now.evidence;
  chosenParts.value = parts.length === 1 ? parts : [];
  if (view !== null) {
    evidence.value = view;
    goToView(view);
  }
  requestAnimationFrame(() => {
    const at = document.getElementById(characterAnchor(now.id));
    at?.scrollIntoView({ block: "nearest" });
    if (focus) at?.querySelector<HTMLElement>(".sentence")?.focus({ preventScroll: true });
  });
}

export function nextCharacter(step: 1 | -1, awaitingOnly: boolean): void {
  const all = charactersShown.value;
  const at = all.findIndex((c) => c.id === chosenCharacter.value);
  for (let k = 1; k <= all.length; k++) {
    const next = all[(Math.max(at, step < 0 ? 0 : -1) + step * k + all.length * 2) % all.length];
    if (next && (!awaitingOnly || awaitsScore(next))) {
      chooseCharacter(next.id, true);
      return;
    }
  }
}

async function score(state: string, why: string): Promise<boolean> {
  const id = chosenCharacter.value;
  if (id === null) return false;
  if (!(await decide({ kind: "score", character: id, state, why }, `Scored ${state}`))) return false;
  await loadCharacters();
  return true;
}

/** Says yes to what stands there, and goes on to the next that awaits somebody. */
export async function confirmCharacter(): Promise<void> {
  const now = characterNow.value;
  if (now === null || !mayConfirm(now) || refusesDeciding()) return;
  if ((await score(now.cell.text, "")) && (characters.value ?? []).some(awaitsScore)) nextCharacter(1, true);
}

export async function sayState(state: string, why: string): Promise<void> {
  const now = characterNow.value;
  if (now === null) return;
  if (!(await score(state, why))) return;
  scoring.value = false;
  localStorage.removeItem(scoreDraft(now.id));
  document.getElementById(characterAnchor(now.id))?.querySelector<HTMLElement>(".sentence")?.focus();
}

export function startScoring(): void {
  if (chosenCharacter.value === null || refusesDeciding()) return;
  atOnce(() => (scoring.value = true));
  document.querySelector<HTMLElement>(".scoring input")?.focus();
}

/** What is being written is kept in the browser until it is said. */
export const scoreDraft = (character: string): string => `ossicle-draft ${lead.value?.id ?? ""} character ${character}`;

/** Whether the keys of the account are those of the characters now. */
export const charactersHaveKeys = (): boolean => leaf.value === "characters" && (chosenCharacter.value !== null || document.activeElement?.closest(".characters") !== null);
