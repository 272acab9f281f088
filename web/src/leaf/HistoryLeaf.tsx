import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { api } from "../api";
import { choosePart, lead, partsByNumber, redo, tellError, undo } from "../state/desk";
import { mayDecide } from "../state/role";
import { chooseFinding } from "../account/acts";
import type { Decision } from "../types";

/** Every decision of the specimen: who, when, why, and whether it holds. */
export function HistoryLeaf() {
  const specimen = lead.value;
  const all = useSignal<Decision[] | null>(null);
  useEffect(() => {
    if (specimen === null) return;
    api.history(specimen.id).then((found) => (all.value = [...found].reverse()), tellError);
  }, [specimen?.id, specimen?.version]);
  if (specimen === null) return null;
  return (
    <div class="history">
      {mayDecide.value && <div class="verbs">
        <button type="button" disabled={specimen.undoable === null} onClick={() => void undo()}>Undo{specimen.undoable ? `: ${specimen.undoable}` : ""}</button>
        {specimen.redoable !== null && <button type="button" onClick={() => void redo()}>Do again: {specimen.redoable}</button>}
      </div>}
      {all.value === null ? <p class="empty">Looking them up …</p> : all.value.length === 0 ? <p class="empty">Nothing has been decided about this specimen yet.</p> : (
        <ol reversed>
          {all.value.map((d) => (
            <li key={d.number} class={d.holds === false ? "fallen" : ""}>
              <p>{d.words}{d.reason && <>: <q>{d.reason}</q></>}</p>
              <p class="soft">{d.who}, <time dateTime={d.at}>{new Date(d.at).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" })}</time>
                {d.holds === false && <> · no longer holds{d.why ? `: ${d.why}` : ""}</>}
                {d.finding && <> · <button type="button" class="part-link" onClick={() => chooseFinding(d.finding)}>its finding</button></>}
                {d.part !== null && partsByNumber.value.has(d.part) && <> · <button type="button" class="part-link" onClick={() => choosePart(d.part)}>its part</button></>}
              </p>
            </li>
          ))}
        </ol>
      )}
    </div>
  );
}
