import { signal } from "@preact/signals";
import { ask, type DeskError, get, post } from "../api";
import { person, say, tellError } from "../state/desk";

/** Recorded talks of the leading specimen, as the collection keeps them. */
export interface SectionTold {
  id: string;
  voice: boolean;
  ended: boolean;
  from_ms: number;
  to_ms: number | null;
  length_ms: number;
}

export interface TalkTold {
  id: string;
  title: string;
  who: string;
  at: string;
  version: number;
  interrupted: boolean;
  sections: SectionTold[];
  left_out: number;
  captions: number;
}

export const talks = signal<readonly TalkTold[] | null>(null);
export const chosenTalk = signal<string | null>(null);
let of = "";

export const talksPath = (): string => `/specimens/${encodeURIComponent(of)}/talks`;

export async function loadTalks(id: string): Promise<void> {
  if (of !== id) {
    talks.value = null;
    chosenTalk.value = null;
  }
  of = id;
  const told = await get<TalkTold[]>(talksPath());
  if (of !== id) return;
  talks.value = told;
  if (chosenTalk.value === null) chosenTalk.value = told.at(-1)?.id ?? null;
}

export function keepTold(talk: TalkTold): void {
  const others = (talks.value ?? []).filter((t) => t.id !== talk.id);
  talks.value = [...others, talk].sort((a, b) => (a.at < b.at ? -1 : 1));
}

export async function newTalk(title: string): Promise<TalkTold> {
  const talk = await post<TalkTold>(talksPath(), { title, who: person.value.trim() || null });
  keepTold(talk);
  chosenTalk.value = talk.id;
  return talk;
}

export async function changeTalk(talk: TalkTold, body: { title?: string; sections?: Pick<SectionTold, "id" | "from_ms" | "to_ms">[]; captions?: string }): Promise<void> {
  try {
    keepTold(await post<TalkTold>(`${talksPath()}/${talk.id}`, { ...("captions" in body ? {} : { expected: talk.version }), ...body }));
    say("The talk is changed");
  } catch (error) {
    tellError(error);
    if ((error as DeskError).status === 409) await loadTalks(of).catch(tellError);
  }
}

export async function discardTalk(talk: TalkTold): Promise<void> {
  try {
    talks.value = (await (await ask(`${talksPath()}/${talk.id}`, { method: "DELETE" })).json()) as TalkTold[];
    chosenTalk.value = talks.value.at(-1)?.id ?? null;
  } catch (error) {
    tellError(error);
  }
}

export const captionsText = async (talk: TalkTold): Promise<string> => (await ask(`${talksPath()}/${talk.id}/captions.vtt`)).text();

/** How long a section is as it is taken, ms. */
export const takenMs = (s: SectionTold): number => Math.max(0, Math.min(s.to_ms ?? s.length_ms, s.length_ms) - s.from_ms);
