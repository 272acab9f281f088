import { computed, effect, signal } from "@preact/signals";
import { api, Away, DeskError, type Said } from "../api";
import type { About, Brief, Finding, PartInfo, Rows, Specimen, Tooth } from "../types";

/** What the desk holds: specimens, what is chosen, what is being said. Everything that a link must reopen is in `address.ts`. */

export const about = signal<About | null>(null);
export const briefs = signal<Brief[] | null>(null);
export const specimens = signal<ReadonlyMap<string, Specimen>>(new Map());
export const rowsOf = signal<ReadonlyMap<string, Rows>>(new Map());

/** Ids on the stage, in order; the first one is the one whose account lies open. None: the list of the collection. */
export const onStage = signal<readonly string[]>([]);
export const intakeOpen = signal(false);

export const chosenFinding = signal<string | null>(null);
/** Parts of the leading specimen. The last chosen comes last. */
export const chosenParts = signal<readonly number[]>([]);
export const hoveredPart = signal<{ id: string; part: number } | null>(null);

export const leadId = computed(() => onStage.value[0] ?? null);
export const lead = computed(() => (leadId.value === null ? null : (specimens.value.get(leadId.value) ?? null)));
export const leadRows = computed(() => (leadId.value === null ? null : (rowsOf.value.get(leadId.value) ?? null)));
export const chosenPart = computed(() => chosenParts.value.at(-1) ?? null);
export const findingsById = computed(() => new Map<string, Finding>((lead.value?.account.findings ?? []).map((f) => [f.id, f])));
export const teethByPart = computed(() => new Map<number, Tooth>((lead.value?.account.teeth ?? []).map((t) => [t.part, t])));
export const partsByNumber = computed(() => new Map<number, PartInfo>((lead.value?.parts ?? []).map((p) => [p.part, p])));

/** What went wrong, told in the page; `away` while the server does not answer. */
export interface Notice {
  what: string;
  where: string | null;
  mend: string | null;
  tone: "error" | "said";
}
export const notice = signal<Notice | null>(null);
export const away = signal(false);
export const busy = signal<string | null>(null);
/** Said to screen readers, and shown for a moment. */
export const spoken = signal("");

export function say(text: string, seen = false): void {
  spoken.value = text;
  if (seen) notice.value = { what: text, where: null, mend: null, tone: "said" };
}

export function tellError(error: unknown): void {
  if (error instanceof DOMException && error.name === "AbortError") return;
  if (error instanceof Away) {
    away.value = true;
    return;
  }
  notice.value =
    error instanceof DeskError
      ? { what: error.what, where: error.where, mend: error.mend, tone: "error" }
      : { what: error instanceof Error ? error.message : String(error), where: null, mend: "Load the page again; decisions are kept", tone: "error" };
}

/** Who decides; kept in this browser. */
export const person = signal(localStorage.getItem("ossicle-person") ?? "");
effect(() => localStorage.setItem("ossicle-person", person.value));
/** What was to be said when no name was given yet. */
export const unsigned = signal<(() => Promise<void>) | null>(null);

export async function loadBriefs(): Promise<void> {
  briefs.value = await api.specimens();
}

export function keep(specimen: Specimen): void {
  specimens.value = new Map(specimens.value).set(specimen.id, specimen);
}

export async function loadSpecimen(id: string): Promise<Specimen> {
  const known = specimens.value.get(id);
  if (known) return known;
  const specimen = await api.specimen(id, person.value.trim());
  keep(specimen);
  return specimen;
}

export async function loadRows(id: string): Promise<void> {
  const rows = await api.rows(id);
  rowsOf.value = new Map(rowsOf.value).set(id, rows);
}

/** Shows one specimen alone, or adds it beside those that stand there (six at most). */
export function stand(id: string, beside = false): void {
  const now = onStage.value;
  if (beside && now.length > 0) {
    if (!now.includes(id) && now.length < 6) onStage.value = [...now, id];
  } else onStage.value = [id];
}

export function choosePart(part: number | null, more = false): void {
  if (part === null) chosenParts.value = [];
  else if (more) {
    const rest = chosenParts.value.filter((p) => p !== part);
    chosenParts.value = rest.length === chosenParts.value.length ? [...rest, part] : rest;
  } else chosenParts.value = [part];
}

/** Keeps a decision about the leading specimen. Returns whether it was kept. */
export async function decide(said: Said, told: string): Promise<boolean> {
  return change(told, (specimen, who) => api.decide(specimen.id, specimen.version, who, said));
}

export const undo = (): Promise<boolean> => change("Undone", (s, who) => api.undo(s.id, s.version, who));
export const redo = (): Promise<boolean> => change("Done again", (s, who) => api.redo(s.id, s.version, who));

async function change(told: string, ask: (specimen: Specimen, who: string) => Promise<Specimen>): Promise<boolean> {
  const specimen = lead.value;
  if (specimen === null || busy.value !== null) return false;
  if (about.value?.read_only) {
    notice.value = { what: "This reading lies outside a collection, so nothing can be decided here", where: null, mend: "Take the scan into a collection with ossicle intake", tone: "error" };
    return false;
  }
  const who = person.value.trim();
  if (who === "") {
    unsigned.value = async () => {
      await change(told, ask);
    };
    return false;
  }
  busy.value = told;
  try {
    const now = await ask(specimen, who);
    keep(now);
    notice.value = null;
    say(told);
    void loadRows(now.id).catch(tellError);
    return true;
  } catch (error) {
    if (error instanceof DeskError && error.status === 409 && typeof error.body["now"] === "object" && error.body["now"] !== null) {
      keep({ ...(error.body["now"] as Specimen), id: specimen.id });
      void loadRows(specimen.id).catch(tellError);
    }
    tellError(error);
    return false;
  } finally {
    busy.value = null;
  }
}

/** While the server is away it is asked again every two seconds; then the page goes on. */
effect(() => {
  if (!away.value) return;
  const timer = window.setInterval(() => {
    api.about().then(
      (now) => {
        about.value = now;
        away.value = false;
        say("The server answers again");
        void refresh();
      },
      () => undefined,
    );
  }, 2000);
  return () => window.clearInterval(timer);
});

async function refresh(): Promise<void> {
  try {
    await loadBriefs();
    for (const id of onStage.value) {
      keep(await api.specimen(id, person.value.trim()));
      await loadRows(id);
    }
  } catch (error) {
    tellError(error);
  }
}
