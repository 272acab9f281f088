import type { About, Beside, Brief, CharactersTold, Decision, Definition, Job, Landmark, Measured, Outlines, Places, Plane, Repeated, Rows, ScanTold, SeriesTold, Specimen, Strip, Vec3 } from "./types";

/** A failure that can be told in three parts: what happened, where, and how to mend it. */
export class DeskError extends Error {
  constructor(
    readonly what: string,
    readonly where: string | null,
    readonly mend: string | null,
    readonly status: number,
    readonly body: Record<string, unknown> = {},
  ) {
    super(what);
  }
}

/** The server does not answer at all. */
export class Away extends DeskError {
  constructor() {
    super("The desk’s server does not answer", null, "Start it again with ossicle desk; this page goes on by itself", 0);
  }
}

let token = document.querySelector<HTMLMetaElement>("meta[name=desk-token]")?.content ?? "";

async function renewToken(): Promise<boolean> {
  const page = await fetch("/", { cache: "no-store" });
  const found = /name="desk-token" content="([^"]+)"/.exec(await page.text())?.[1];
  if (!page.ok || found === undefined || found === token) return false;
  token = found;
  return true;
}

export async function ask(path: string, init: RequestInit = {}, again = true): Promise<Response> {
  const headers = new Headers(init.headers);
  if (init.method !== undefined && init.method !== "GET") headers.set("X-Ossicle-Desk", token);
  let answer: Response;
  try {
    answer = await fetch(`/api${path}`, { ...init, headers });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Away();
  }
  if (answer.ok) return answer;
  if (answer.status === 403 && again && (await renewToken())) return ask(path, init, false);
  throw await told(answer);
}

async function told(answer: Response): Promise<DeskError> {
  let body: Record<string, unknown> = {};
  try {
    body = (await answer.json()) as Record<string, unknown>;
  } catch {
    // Not JSON: the status has to do.
  }
  const text = (key: string): string | null => (typeof body[key] === "string" ? (body[key] as string) : null);
  return new DeskError(text("what") ?? `The server answered ${answer.status}`, text("where"), text("mend"), answer.status, body);
}

export async function get<T>(path: string, signal?: AbortSignal): Promise<T> {
  return (await (await ask(path, signal ? { signal } : {})).json()) as T;
}

export async function post<T>(path: string, body: unknown): Promise<T> {
  const answer = await ask(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  return (await answer.json()) as T;
}

/** Ids are text in the page, whatever they are in the catalogue. */
function named<T extends { id: unknown }>(thing: T): T & { id: string } {
  return { ...thing, id: String(thing.id) };
}

const of = (id: string): string => `/specimens/${encodeURIComponent(id)}`;
const query = (values: Record<string, string | number>): string =>
  new URLSearchParams(Object.entries(values).map(([k, v]) => [k, String(v)])).toString();

export interface Cutting {
  origin: Vec3;
  u: Vec3;
  v: Vec3;
  width: number;
  height: number;
  px: number;
}

const cutting = (c: Cutting): string =>
  query({ origin: c.origin.join(","), u: c.u.join(","), v: c.v.join(","), width: c.width, height: c.height, px: c.px });

export type Said = { kind: string; why?: string } & Record<string, unknown>;

export const api = {
  about: () => get<About>("/about"),
  specimens: async () => (await get<Brief[]>("/specimens")).map(named),
  /** `who` is the person whose decisions may be undone. */
  specimen: async (id: string, who: string) => named(await get<Specimen>(`${of(id)}${who === "" ? "" : `?${query({ who })}`}`)),
  /** `url` as the specimen tells it; it changes when the meshes do. */
  surfaces: async (url: string) => (await ask(url.replace(/^\/api/, ""))).arrayBuffer(),
  volume: async (id: string, edge: number) => (await ask(`${of(id)}/volume?edge=${edge}`)).arrayBuffer(),
  rows: (id: string) => get<Rows>(`${of(id)}/rows`),
  planes: (id: string) => get<Plane[]>(`${of(id)}/planes`),
  slicePicture: async (id: string, c: Cutting, signal: AbortSignal) =>
    (await ask(`${of(id)}/slice.png?${cutting(c)}`, { signal })).blob(),
  sliceOutlines: (id: string, c: Cutting, signal: AbortSignal) =>
    get<Outlines>(`${of(id)}/slice.json?${cutting(c)}`, signal),
  stripUrl: (id: string, quadrant: string, thickness: number, shape: string) =>
    `/api${of(id)}/strips/${quadrant}.png?${query({ thickness, shape })}`,
  strip: (id: string, quadrant: string, thickness: number) =>
    get<Strip>(`${of(id)}/strips/${quadrant}.json?${query({ thickness })}`),
  decide: async (id: string, expected: number, who: string, said: Said) =>
    named(await post<Specimen>(`${of(id)}/decisions`, { expected, who, ...said })),
  undo: async (id: string, expected: number, who: string) => named(await post<Specimen>(`${of(id)}/undo`, { expected, who })),
  redo: async (id: string, expected: number, who: string) => named(await post<Specimen>(`${of(id)}/redo`, { expected, who })),
  history: (id: string) => get<Decision[]>(`${of(id)}/history`),
  characters: (id: string) => get<CharactersTold>(`${of(id)}/characters`),
  suggest: (id: string, part: number, locus: string) =>
    get<{ part: number; from: string; to: string }[]>(`${of(id)}/suggest?${query({ part, locus })}`),
  landmarks: (id: string) => get<Landmark[]>(`${of(id)}/landmarks`),
  definitions: () => get<Definition[]>("/definitions"),
  measure: (id: string, kind: string, points: Vec3[], name: string) =>
    post<Measured>(`${of(id)}/measure`, { kind, points, name }),
  repeats: (id: string) => get<Repeated[]>(`${of(id)}/repeats`),
  repeat: (id: string, body: { name: string; who: string; round: number; kind: string; points: Vec3[] }) => post<Repeated[]>(`${of(id)}/repeats`, body),
  compare: (ids: readonly string[], by: string, scale: boolean, across: boolean) =>
    get<Beside>(`/compare?${query({ specimens: ids.join(","), by, scale: String(scale), across: String(across) })}`),
  series: (ids: readonly string[]) => get<SeriesTold>(`/series?${query({ specimens: ids.join(",") })}`),
  places: (path: string | null) => get<Places>(`/places${path === null ? "" : `?${query({ path })}`}`),
  scanTold: (path: string) => get<ScanTold>(`/places/scan?${query({ path })}`),
  intake: (body: Record<string, unknown>) => post<Job>("/intake", body),
  readAgain: (id: string, who: string) => post<Job>(`${of(id)}/read`, { who: who === "" ? null : who }),
  jobs: () => get<Job[]>("/jobs"),
  jobAgain: (id: string, spacing_mm: string | null) => post<Job>(`/jobs/${encodeURIComponent(id)}/again`, { spacing_mm }),
  /** Signs out; the page of the door is shown then. */
  leave: async () => {
    await fetch("/leave", { method: "POST", headers: { "X-Ossicle-Desk": token }, redirect: "manual" });
    location.assign("/");
  },
  cancel: async (id: string) => {
    await ask(`/jobs/${encodeURIComponent(id)}`, { method: "DELETE" });
  },
};
