import { signal } from "@preact/signals";
import { chosenFinding, chosenParts, decide, findingsById, lead } from "../state/desk";
import { atOnce } from "../state/atonce";
import { goToView } from "../state/eye";
import { refusesDeciding } from "../state/role";
import { showEvidence } from "../state/showing";
import { awaits, filter, sequence } from "./order";

/** What may be done with a finding, from the mouse and from the keys alike. */
export type Saying = "amend" | "dispute" | null;
export const saying = signal<Saying>(null);

/** Chooses a sentence: its evidence is shown on the stage, and its parts are chosen. */
export function chooseFinding(id: string | null, focus = false): void {
  saying.value = null;
  chosenFinding.value = id;
  if (id === null) return;
  const finding = findingsById.value.get(id);
  if (finding === undefined) return;
  chosenParts.value = finding.evidence.parts.length === 1 ? finding.evidence.parts : [];
  const view = showEvidence(id);
  if (view) goToView(view);
  requestAnimationFrame(() => {
    const at = document.getElementById(anchorOf(id));
    at?.scrollIntoView({ block: "nearest" });
    if (focus) at?.querySelector<HTMLElement>(".sentence")?.focus({ preventScroll: true });
  });
}

export const anchorOf = (id: string): string => `finding-${id.replaceAll(/[^A-Za-z0-9-]/g, "_")}`;

/** Goes on from the chosen sentence: to the next (or the one before), or the next that awaits a decision. */
export function goOn(step: 1 | -1, awaitingOnly: boolean): void {
  const all = sequence.value;
  if (all.length === 0) return;
  const at = all.findIndex((f) => f.id === chosenFinding.value);
  for (let k = 1; k <= all.length; k++) {
    const next = all[(at + step * k + all.length * 2) % all.length];
    if (next && (!awaitingOnly || awaits(next))) {
      chooseFinding(next.id, true);
      return;
    }
  }
}

export async function agree(): Promise<void> {
  const id = chosenFinding.value;
  if (id === null || !findingsById.value.has(id) || refusesDeciding()) return;
  if (await decide({ kind: "agree", finding: id }, "Agreed")) {
    const left = lead.value?.account.findings.some((f) => f.standing === "computed");
    if (left) goOn(1, true);
  }
}

export function startSaying(what: "amend" | "dispute"): void {
  if (chosenFinding.value === null || refusesDeciding()) return;
  atOnce(() => (saying.value = what));
  document.querySelector<HTMLElement>(".saying textarea, .saying input")?.focus();
}

export async function sayIt(what: "amend" | "dispute", why: string, statement: string, value: unknown): Promise<void> {
  const id = chosenFinding.value;
  if (id === null) return;
  const said =
    what === "amend" ? { kind: "amend", finding: id, value, statement, why } : { kind: "dispute", finding: id, why };
  if (await decide(said, what === "amend" ? "Amended" : "Disputed")) {
    saying.value = null;
    localStorage.removeItem(draftKey(id));
  }
}

/** What is being written is kept in the browser until it is said, so that a closed page loses nothing. */
export const draftKey = (id: string): string => `ossicle-draft ${lead.value?.id ?? ""} ${id}`;

export function nextFilter(): void {
  const order = ["all", "awaiting", "uncertain", "disputed", "decided"] as const;
  filter.value = order[(order.indexOf(filter.value) + 1) % order.length] ?? "all";
}
