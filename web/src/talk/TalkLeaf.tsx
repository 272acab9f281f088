import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { lead, leadId, person, tellError } from "../state/desk";
import { drawing } from "../state/showing";
import { level, pause, pointerShown, record, recordedMs, recording, resume, showPointer, stop, unsent } from "./recorder";
import { captionsText, changeTalk, chosenTalk, discardTalk, loadTalks, newTalk, type SectionTold, takenMs, talks, talksPath, type TalkTold } from "./store";

const clock = (ms: number): string => `${Math.floor(ms / 60000)}:${String(Math.floor(ms / 1000) % 60).padStart(2, "0")}`;
const seconds = (ms: number): string => (ms / 1000).toFixed(1);

/** Talks are recorded here: voice and stage together, in sections that can be taken again, trimmed and captioned. */
export function TalkLeaf() {
  const id = leadId.value;
  const withVoice = useSignal(true);
  useEffect(() => {
    if (id !== null && recording.value === "no") loadTalks(id).catch(tellError);
  }, [id, recording.value === "no"]);
  const specimen = lead.value;
  if (specimen === null) return null;
  const all = talks.value;
  const talk = all?.find((t) => t.id === chosenTalk.value) ?? null;
  return (
    <div class="talk">
      {recording.value !== "no" ? <Running /> : (
        <>
          <div class="verbs">
            {talk && <button type="button" onClick={() => void record(talk, withVoice.value)}>{talk.interrupted ? "Go on with it" : talk.sections.length === 0 ? "Record" : "Record a further section"}</button>}
            <button type="button" onClick={() => newTalk("").then((t) => record(t, withVoice.value)).then(refresh, tellError)}>Record a new talk</button>
            <label class="check"><input type="checkbox" checked={withVoice.value} onChange={(e) => (withVoice.value = e.currentTarget.checked)} /> with the microphone</label>
          </div>
          <p class="soft">The stage is recorded with the voice as it changes. Chosen findings and kept views become chapters.{drawing.value === "scan" && " A talk shows surfaces: of a stage drawn as scan, the view and the parts are recorded."}</p>
        </>
      )}
      {all === null ? <p class="empty">Looking them up …</p> : all.length === 0 ? <p class="empty">No talk has been recorded about this specimen yet.</p> : (
        <ul class="talks">{all.map((t) => (
          <li key={t.id} class={t.id === talk?.id ? "chosen" : ""}>
            <button type="button" class="part-link" aria-expanded={t.id === talk?.id} onClick={() => (chosenTalk.value = t.id)}>{t.title}</button>
            <span class="soft"> {clock(t.sections.reduce((sum, s) => sum + takenMs(s), 0))}{t.interrupted && recording.value === "no" ? ", cut off" : ""}</span>
            {t.id === talk?.id && recording.value === "no" && <Told talk={t} withVoice={withVoice.value} catalogue={specimen.specimen.catalogue_number} />}
          </li>
        ))}</ul>
      )}
    </div>
  );
}

async function refresh(): Promise<void> {
  if (leadId.value !== null) await loadTalks(leadId.value).catch(tellError);
}

function Running() {
  const state = recording.value;
  const loud = level.value;
  return (
    <div class="recording" role="group" aria-label="Recording">
      <p><b>{state === "waits" ? "Paused" : state === "ends" ? "Keeping the last of it …" : "Recording"}</b> <output class="figures">{clock(recordedMs.value)}</output></p>
      {loud === null ? <p class="soft">Without a microphone: captions can be written afterwards.</p> : (
        <label class="field">Voice <meter min={0} max={1} low={0.25} high={0.92} optimum={0.6} value={loud} aria-label="How loud the voice is" /></label>
      )}
      {unsent.value > 2 && <p class="soft" role="alert">The server does not answer; {unsent.value} pieces wait here. Leave the page open.</p>}
      <div class="verbs">
        {state === "runs" && <button type="button" onClick={pause}>Pause</button>}
        {state === "waits" && <button type="button" onClick={resume}>Go on</button>}
        <button type="button" disabled={state === "ends"} onClick={() => void stop().then(refresh)}>End the section</button>
        <label class="check"><input type="checkbox" checked={pointerShown.value} onChange={(e) => showPointer(e.currentTarget.checked)} /> show where I point</label>
      </div>
    </div>
  );
}

function Told({ talk, withVoice, catalogue }: { talk: TalkTold; withVoice: boolean; catalogue: string }) {
  const taken = (change: (all: SectionTold[]) => SectionTold[]): void =>
    void changeTalk(talk, { sections: change([...talk.sections]).map(({ id, from_ms, to_ms }) => ({ id, from_ms, to_ms })) });
  return (
    <div class="step-words">
      {talk.interrupted && <p role="status">This recording was cut off. What had been sent until then is kept; you can go on with it in a further section.</p>}
      <label>Title <input type="text" maxLength={300} value={talk.title} onChange={(e) => void changeTalk(talk, { title: e.currentTarget.value })} /></label>
      <ol class="steps">
        {talk.sections.map((s, n) => (
          <li key={s.id}>
            <Section talk={talk} section={s} name={`Section ${n + 1}`} first={n === 0} last={n === talk.sections.length - 1} withVoice={withVoice} taken={taken} at={n} />
          </li>
        ))}
      </ol>
      {talk.left_out > 0 && <p class="soft">{talk.left_out} {talk.left_out === 1 ? "section was" : "sections were"} taken again or left out; their recordings are still in the collection.</p>}
      <Captions talk={talk} />
      <p class="soft">The page to hand on: <code>ossicle talk "{catalogue}" --in COLLECTION --talk {talk.id} --out talk.html</code>. {talk.who !== person.value && `Recorded by ${talk.who}.`}</p>
      <div class="verbs"><button type="button" class="quiet" onClick={() => void discardTalk(talk)}>delete this talk</button></div>
    </div>
  );
}

interface SectionProps {
  talk: TalkTold;
  section: SectionTold;
  name: string;
  at: number;
  first: boolean;
  last: boolean;
  withVoice: boolean;
  taken: (change: (all: SectionTold[]) => SectionTold[]) => void;
}

function Section({ talk, section, name, at, first, last, withVoice, taken }: SectionProps) {
  const put = (change: Partial<SectionTold>): void => taken((all) => all.map((s) => (s.id === section.id ? { ...s, ...change } : s)));
  const moved = (by: number): void => taken((all) => {
    const [one] = all.splice(at, 1);
    if (one) all.splice(at + by, 0, one);
    return all;
  });
  const ms = (text: string, least: number): number => Math.min(section.length_ms, Math.max(least, Math.round(1000 * (Number(text) || 0))));
  return (
    <>
      <p>{name}, {seconds(takenMs(section))} s{section.voice ? "" : ", silent"}{section.ended ? "" : ", cut off"}</p>
      {section.voice && <audio controls preload="none" src={`/api${talksPath()}/${talk.id}/sections/${section.id}/voice.webm`} aria-label={`Voice of ${name}`} />}
      <div class="trim">
        <label>from, s <input type="number" min={0} max={seconds(section.length_ms)} step={0.1} value={seconds(section.from_ms)} onChange={(e) => put({ from_ms: ms(e.currentTarget.value, 0) })} /></label>
        <label>to, s <input type="number" min={0} max={seconds(section.length_ms)} step={0.1} value={seconds(section.to_ms ?? section.length_ms)} onChange={(e) => {
          const to = ms(e.currentTarget.value, section.from_ms + 100);
          put({ to_ms: to >= section.length_ms ? null : to });
        }} /></label>
      </div>
      <div class="verbs">
        <button type="button" class="quiet" onClick={() => void record(talk, withVoice, { instead: section.id })}>take it again</button>
        <button type="button" class="quiet" onClick={() => void record(talk, withVoice, { after: section.id })}>record after it</button>
        <button type="button" class="quiet" disabled={first} onClick={() => moved(-1)}>earlier</button>
        <button type="button" class="quiet" disabled={last} onClick={() => moved(1)}>later</button>
        <button type="button" class="quiet" onClick={() => taken((all) => all.filter((s) => s.id !== section.id))}>leave it out</button>
      </div>
    </>
  );
}

function Captions({ talk }: { talk: TalkTold }) {
  const text = useSignal<string | null>(null);
  useEffect(() => {
    text.value = null;
    if (talk.captions > 0) captionsText(talk).then((t) => (text.value = t), tellError);
    else text.value = "";
  }, [talk.id, talk.version]);
  return (
    <>
      <label>Captions, as plain text or WebVTT <textarea rows={6} disabled={text.value === null} value={text.value ?? ""} onChange={(e) => void changeTalk(talk, { captions: e.currentTarget.value })} /></label>
      <label>or from a file <input type="file" accept=".vtt,.txt,text/vtt,text/plain" onChange={(e) => {
        void e.currentTarget.files?.[0]?.text().then((t) => changeTalk(talk, { captions: t }));
      }} /></label>
      <p class="soft">Sentences of plain text are spread over the talk by their words; cues can then be set right here.</p>
    </>
  );
}
