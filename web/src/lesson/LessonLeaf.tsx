import { useEffect } from "preact/hooks";
import { lead, leadId, onStage, specimens, tellError } from "../state/desk";
import { drawing } from "../state/showing";
import { chosenStep, discard, edit, keepView, loadSteps, move, rehearsing, replaceView, showNext, showStep, type Step, steps } from "./steps";

/** The lesson in the making: kept views in their order, each with what is said to it. */
export function LessonLeaf() {
  const id = leadId.value;
  useEffect(() => {
    if (id !== null) loadSteps(id).catch(tellError);
  }, [id]);
  const all = steps.value;
  const specimen = lead.value;
  if (specimen === null) return null;
  if (rehearsing.value && all !== null && all.length > 0) return <Rehearsal all={all} />;
  return (
    <div class="lesson">
      <div class="verbs">
        <button type="button" aria-keyshortcuts="Shift+V" onClick={() => void keepView()}>Keep this view</button>
        {all !== null && all.length > 1 && <button type="button" onClick={() => {
          rehearsing.value = true;
          const first = all.find((s) => s.id === chosenStep.value) ?? all[0];
          if (first) showStep(first);
        }}>Rehearse</button>}
      </div>
      {drawing.value === "scan" && <p class="soft">A lesson shows surfaces: of a stage drawn as scan, the view and the parts are kept.</p>}
      {onStage.value.length > 1 && <p class="soft">All that stand here are kept together: {onStage.value.map((s) => specimens.value.get(s)?.specimen.catalogue_number ?? s).join(", ")}.</p>}
      {all === null ? <p class="empty">Looking them up …</p> : all.length === 0 ? (
        <p class="empty">No view is kept yet. Turn the stage to what you want to show and keep it; narration, order and title can be changed at any time.</p>
      ) : (
        <ol class="steps">{all.map((step, n) => <Kept key={step.id} step={step} n={n} count={all.length} />)}</ol>
      )}
      <p class="soft">The page for the lecture hall: <code>ossicle lesson "{specimen.specimen.catalogue_number}" --in COLLECTION --out lesson.html</code>. A plate shows a kept view by <code>kept = "{all?.find((s) => s.id === chosenStep.value)?.id ?? all?.[0]?.id ?? "its id"}"</code>.</p>
    </div>
  );
}

function Kept({ step, n, count }: { step: Step; n: number; count: number }) {
  const open = chosenStep.value === step.id;
  return (
    <li class={open ? "chosen" : ""}>
      <button type="button" class="part-link" aria-expanded={open} onClick={() => showStep(step)}>{step.title}</button>
      {open && (
        <div class="step-words">
          <label>Title <input type="text" maxLength={300} value={step.title} onChange={(e) => edit(step.id, { title: e.currentTarget.value })} /></label>
          <label>Narration <textarea rows={5} maxLength={20000} value={step.narration} onChange={(e) => edit(step.id, { narration: e.currentTarget.value })} /></label>
          <label>Notes for the speaker <textarea rows={2} maxLength={20000} value={step.notes} onChange={(e) => edit(step.id, { notes: e.currentTarget.value })} /></label>
          <label class="check"><input type="checkbox" checked={step.travel} onChange={(e) => edit(step.id, { travel: e.currentTarget.checked })} /> the stage turns to it; else it is there at once</label>
          <div class="verbs">
            <button type="button" class="quiet" disabled={n === 0} onClick={() => move(step.id, -1)}>earlier</button>
            <button type="button" class="quiet" disabled={n === count - 1} onClick={() => move(step.id, 1)}>later</button>
            <button type="button" class="quiet" onClick={() => replaceView(step.id)}>show the present view instead</button>
            <button type="button" class="quiet" onClick={() => discard(step.id)}>delete</button>
          </div>
          <p class="soft">View {step.id}. Narration may be Markdown.</p>
        </div>
      )}
    </li>
  );
}

function Rehearsal({ all }: { all: readonly Step[] }) {
  const at = Math.max(0, all.findIndex((s) => s.id === chosenStep.value));
  const step = all[at] as Step;
  return (
    <div class="lesson rehearsal">
      <p class="soft">Step {at + 1} of {all.length}</p>
      <h3>{step.title}</h3>
      <div aria-live="polite">{step.narration.split(/\n{2,}/).map((p, n) => <p key={n}>{p}</p>)}</div>
      {step.notes !== "" && <p class="soft">Notes: {step.notes}</p>}
      <div class="verbs">
        <button type="button" disabled={at === 0} onClick={() => showNext(-1)}>Back</button>
        <button type="button" disabled={at === all.length - 1} onClick={() => showNext(1)}>Next</button>
        <button type="button" class="quiet" onClick={() => (rehearsing.value = false)}>end the rehearsal</button>
      </div>
    </div>
  );
}
