/** What the time of a talk runs by, ms: its voice, or a watch where it is silent. */
export interface Clock {
  readonly now: number;
  readonly runs: boolean;
  start(): Promise<void>;
  stop(): void;
  seek(ms: number): void;
}

export function voiceClock(voice: string, length: number): Clock {
  const bytes = Uint8Array.from(atob(voice), (c) => c.charCodeAt(0));
  const sound = new Audio(URL.createObjectURL(new Blob([bytes], { type: "audio/webm;codecs=opus" })));
  sound.preload = "auto";
  return {
    // A voice that has ended a little early is at the end of the talk.
    get now() {
      return sound.ended ? length : Math.min(length, sound.currentTime * 1000);
    },
    get runs() {
      return !sound.paused && !sound.ended;
    },
    start: () => sound.play(),
    stop: () => sound.pause(),
    seek: (ms) => {
      sound.currentTime = ms / 1000;
    },
  };
}

export function silentClock(length: number): Clock {
  let at = 0;
  let since: number | null = null;
  const now = (): number => Math.min(length, since === null ? at : at + performance.now() - since);
  return {
    get now() {
      return now();
    },
    get runs() {
      return since !== null && now() < length;
    },
    start: async () => {
      at = now();
      since = performance.now();
    },
    stop: () => {
      at = now();
      since = null;
    },
    seek: (ms) => {
      at = ms;
      if (since !== null) since = performance.now();
    },
  };
}
