import { signal } from "@preact/signals";
import { api } from "../api";
import type { Job } from "../types";
import { keep, loadBriefs, loadRows, onStage, person, say, specimens, tellError } from "./desk";

/** What is being taken in and read, kept up by events from the server as long as somebody looks. */
export const jobs = signal<readonly Job[]>([]);
export const ACTIVE: ReadonlySet<string> = new Set(["waiting", "running"]);

let watchers = 0;
let events: EventSource | null = null;

/** Follows the queue; returns how to stop following. */
export function followJobs(): () => void {
  watchers += 1;
  if (events === null) {
    api.jobs().then((all) => (jobs.value = all), tellError);
    events = new EventSource("/api/jobs/events");
    events.addEventListener("job", (event) => heard(JSON.parse((event as MessageEvent<string>).data) as Job));
  }
  return () => {
    watchers -= 1;
    if (watchers > 0) return;
    events?.close();
    events = null;
  };
}

function heard(job: Job): void {
  const before = jobs.value.find((j) => j.id === job.id);
  jobs.value = [job, ...jobs.value.filter((j) => j.id !== job.id)].sort((a, b) => Number(ACTIVE.has(b.state)) - Number(ACTIVE.has(a.state)));
  const ended = before !== undefined && ACTIVE.has(before.state) && !ACTIVE.has(job.state);
  if (!ended || job.specimen === null) return;
  loadBriefs().catch(tellError);
  if (job.state === "done" && job.kind === "reading") void renew(String(job.specimen)).catch(tellError);
}

async function renew(id: string): Promise<void> {
  if (!specimens.value.has(id)) return;
  if (!onStage.value.includes(id)) {
    const rest = new Map(specimens.value);
    rest.delete(id);
    specimens.value = rest;
    return;
  }
  keep(await api.specimen(id, person.value.trim()));
  await loadRows(id);
  say("The specimen has been read again");
}

export async function readAgain(id: string): Promise<void> {
  try {
    const job = await api.readAgain(id, person.value.trim());
    jobs.value = [job, ...jobs.value.filter((j) => j.id !== job.id)];
    say("The reading is queued");
  } catch (error) {
    tellError(error);
  }
}

export const readingOf = (id: string): Job | undefined => jobs.value.find((j) => j.kind === "reading" && String(j.specimen) === id && ACTIVE.has(j.state));
