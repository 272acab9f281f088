import { signal } from "@preact/signals";
import { post } from "../api";
import { say, tellError } from "../state/desk";
import { stage } from "../state/eye";
import { keepTold, type TalkTold, talksPath } from "./store";
import { type Change, Watch } from "./watch";

/** Pieces of so many ms are sent as they come: what a browser that dies takes with it is less than two of them. */
const PIECE_MS = 2000;
const MOST_EVENTS = 1500;
const VOICE = "audio/webm;codecs=opus";

export type Recording = "no" | "runs" | "waits" | "ends";
export const recording = signal<Recording>("no");
/** How loud the voice is, 0 to 1; null: recorded without a microphone. */
export const level = signal<number | null>(null);
/** How long the section is, ms. */
export const recordedMs = signal(0);
/** How many pieces wait to be sent: the server does not answer. */
export const unsent = signal(0);
export const pointerShown = signal(false);

interface Piece {
  number: number;
  upto_ms: number;
  events: Change[];
  voice: string;
  last: boolean;
}

let now: Recorder | null = null;

class Recorder {
  private began = 0;
  private stoodStill = 0;
  private waitsSince: number | null = null;
  private events: Change[] = [];
  private number = 0;
  private readonly queue: Piece[] = [];
  private sending: Promise<void> | null = null;
  private readonly watch: Watch;
  private readonly voice: MediaRecorder | null;
  private timer = 0;
  private meter = 0;
  private sound: AudioContext | null = null;
  private lost = false;
  private whenHeard: Promise<unknown> = Promise.resolve();
  private gave: (() => void) | null = null;

  constructor(private readonly talk: string, private readonly section: string, private readonly stream: MediaStream | null) {
    const on = stage.value;
    if (on === null) throw new Error("there is no stage");
    this.watch = new Watch(on, () => (recording.value === "runs" ? this.time : null), (change) => this.note(change));
    this.watch.pointing = pointerShown.value;
    this.voice = stream && new MediaRecorder(stream, { mimeType: VOICE, audioBitsPerSecond: 32000 });
    this.voice?.addEventListener("dataavailable", (event) => {
      const before = this.whenHeard;
      const upto = this.time;
      const last = this.voice?.state === "inactive";
      // In the order in which they came, since reading them is not at once.
      this.whenHeard = before.then(async () => this.piece(await base64(event.data), upto, last));
    });
  }

  get time(): number {
    return Math.round(Math.max(0, (this.waitsSince ?? performance.now()) - this.began - this.stoodStill));
  }

  start(): void {
    // The voice begins when the recorder is told to start, not when it says that it has (measured).
    this.began = performance.now();
    this.voice?.start(PIECE_MS);
    recording.value = "runs";
    this.watch.whole();
    if (!this.voice) this.timer = window.setInterval(() => this.piece("", this.time, false), PIECE_MS);
    if (this.stream) this.listen(this.stream);
    const tick = (): void => {
      recordedMs.value = this.time;
      this.meter = window.setTimeout(tick, 100);
    };
    tick();
  }

  private note(change: Change): void {
    this.events.push(change);
    if (!this.voice && this.events.length > MOST_EVENTS) this.piece("", this.time, false);
  }

  pause(): void {
    if (recording.value !== "runs") return;
    this.watch.look();
    this.voice?.pause();
    this.waitsSince = performance.now();
    recording.value = "waits";
    if (!this.voice) this.piece("", this.time, false);
    else if (this.voice.state === "paused") this.voice.requestData();
  }

  resume(): void {
    if (recording.value !== "waits" || this.waitsSince === null) return;
    this.voice?.resume();
    this.stoodStill += performance.now() - this.waitsSince;
    this.waitsSince = null;
    recording.value = "runs";
    this.watch.look();
  }

  point(shown: boolean): void {
    this.watch.pointing = shown;
    if (!shown) this.watch.pointAt(null);
  }

  /** Ends the section; resolves when all of it is kept. */
  async stop(): Promise<void> {
    this.watch.look();
    const upto = this.time;
    if (this.waitsSince === null) this.waitsSince = performance.now();
    recording.value = "ends";
    this.watch.stop();
    window.clearInterval(this.timer);
    window.clearTimeout(this.meter);
    if (this.voice && this.voice.state !== "inactive") {
      const given = new Promise<void>((done) => (this.gave = done));
      this.voice.addEventListener("stop", () => this.gave?.());
      this.voice.stop();
      await given;
      await this.whenHeard;
    }
    this.piece("", upto, true);
    this.stream?.getTracks().forEach((t) => t.stop());
    void this.sound?.close();
    level.value = null;
    while (this.queue.length > 0) await this.send();
    recording.value = "no";
    unsent.value = 0;
  }

  private piece(voice: string, upto_ms: number, last: boolean): void {
    const events = this.events;
    this.events = [];
    // A recorder gives its last data when it has stopped; the piece that ends the section comes after it.
    this.queue.push({ number: this.number++, upto_ms, events, voice, last: last && voice === "" });
    unsent.value = this.queue.length;
    void this.send();
  }

  /** Sends what waits, in order; where the server does not answer it is tried again, and nothing is let go. */
  private send(): Promise<void> {
    this.sending ??= this.sendAll().finally(() => (this.sending = null));
    return this.sending;
  }

  private async sendAll(): Promise<void> {
    while (this.queue.length > 0) {
      try {
        await post(`${talksPath()}/${this.talk}/sections/${this.section}/pieces`, this.queue[0]);
        this.queue.shift();
        unsent.value = this.queue.length;
        this.lost = false;
      } catch (error) {
        if (!this.lost) tellError(error);
        this.lost = true;
        await new Promise((done) => window.setTimeout(done, 1000));
      }
    }
  }

  private listen(stream: MediaStream): void {
    this.sound = new AudioContext();
    const meter = this.sound.createAnalyser();
    meter.fftSize = 1024;
    this.sound.createMediaStreamSource(stream).connect(meter);
    const wave = new Float32Array(meter.fftSize);
    const look = (): void => {
      if (this.sound === null || this.sound.state === "closed" || recording.value === "no") return;
      meter.getFloatTimeDomainData(wave);
      const power = wave.reduce((sum, v) => sum + v * v, 0) / wave.length;
      // -60 dB of full scale to 0 dB.
      level.value = Math.min(1, Math.max(0, 1 + (10 * Math.log10(power + 1e-9)) / 60));
      window.setTimeout(look, 80);
    };
    look();
  }
}

async function base64(data: Blob): Promise<string> {
  const bytes = new Uint8Array(await data.arrayBuffer());
  let text = "";
  for (let n = 0; n < bytes.length; n += 32768) text += String.fromCharCode(...bytes.subarray(n, n + 32768));
  return btoa(text);
}

/** The microphone, or null where none is wanted or to be had; why not is told. */
async function microphone(wanted: boolean): Promise<MediaStream | null> {
  if (!wanted) return null;
  if (typeof MediaRecorder === "undefined" || !MediaRecorder.isTypeSupported(VOICE)) {
    say("This browser records no Opus voice in WebM; the talk is recorded silent, to be captioned", true);
    return null;
  }
  try {
    return await navigator.mediaDevices.getUserMedia({ audio: { channelCount: 1 } });
  } catch (error) {
    say(`No microphone (${error instanceof Error ? error.message : String(error)}); the talk is recorded silent, to be captioned`, true);
    return null;
  }
}

/** Records a section of a talk: at its end, after a section, or in the place of one. */
export async function record(talk: TalkTold, withVoice: boolean, where: { instead?: string; after?: string } = {}): Promise<void> {
  if (now !== null || stage.value === null) return;
  try {
    const stream = await microphone(withVoice);
    const made = await post<{ section: string; talk: TalkTold }>(`${talksPath()}/${talk.id}/sections`, { voice: stream !== null, ...where });
    keepTold(made.talk);
    now = new Recorder(talk.id, made.section, stream);
    now.start();
    say("Recording");
  } catch (error) {
    now = null;
    recording.value = "no";
    tellError(error);
  }
}

/** A page that records is not left without being asked. */
window.addEventListener("beforeunload", (event) => {
  if (recording.value !== "no") event.preventDefault();
});

export const pause = (): void => now?.pause();
export const resume = (): void => now?.resume();

export function showPointer(shown: boolean): void {
  pointerShown.value = shown;
  now?.point(shown);
}

export async function stop(): Promise<void> {
  const one = now;
  if (one === null) return;
  await one.stop();
  now = null;
  say("The section is kept");
}
