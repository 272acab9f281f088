import { useEffect } from "preact/hooks";
import { AccountPlace } from "./account/Account";
import { chooseFinding } from "./account/acts";
import { Catalogue } from "./catalogue/Catalogue";
import { Intake } from "./catalogue/Intake";
import { LeafPlace } from "./leaf/LeafPlace";
import { KeysSheet } from "./parts/KeysSheet";
import { RowsPlace } from "./rows/RowsPlace";
import { Margin } from "./stage/Margin";
import { Poses } from "./stage/Poses";
import { StageView } from "./stage/StageView";
import { evidenceTaken, evidenceWanted } from "./state/address";
import { away, busy, chosenFinding, intakeOpen, lead, leadId, notice, spoken } from "./state/desk";
import { painted, stage } from "./state/eye";
import { leaf } from "./state/showing";
import { letGoOfPointing, pointing } from "./state/pointing";

export function App() {
  const id = leadId.value;
  return (
    <>
      {!intakeOpen.value && id !== null && (
        <a class="skip" href="#stage" onClick={(e) => {
          e.preventDefault();
          document.querySelector<HTMLElement>(".stage-canvas")?.focus();
        }}>To the stage</a>
      )}
      {intakeOpen.value ? <Intake /> : id === null ? <Catalogue /> : <Desk />}
      <Notices />
      <KeysSheet />
      <p class="spoken" role="status" aria-live="polite">{spoken.value}</p>
    </>
  );
}

function Desk() {
  const specimen = lead.value;
  useEffect(() => {
    document.title = specimen ? `${specimen.specimen.catalogue_number} · Ossicle` : "Ossicle";
    if (specimen && evidenceWanted && chosenFinding.value !== null && stage.value !== null) {
      evidenceTaken();
      chooseFinding(chosenFinding.value);
    }
  }, [specimen?.id]);
  return (
    <main class={leaf.value === null ? "desk" : "desk with-leaf"}>
      <AccountPlace />
      <section class="stage" id="stage" aria-label="Stage" data-place="stage">
        <Poses />
        <div class="stage-middle">
          <StageView />
          <Waiting />
        </div>
        <Pointer />
      </section>
      {leaf.value !== null && <LeafPlace />}
      <Margin />
      <RowsPlace />
    </main>
  );
}

function Waiting() {
  painted.value;
  const on = stage.value;
  if (lead.value !== null && on !== null && on.skulls.length > 0) return null;
  return <p class="before over-stage">Setting the specimen on the stage …</p>;
}

function Pointer() {
  const now = pointing.value;
  if (now === null) return null;
  return (
    <p class="pointing" role="status">{now.said} <button type="button" class="quiet" onClick={letGoOfPointing}>leave it</button></p>
  );
}

function Notices() {
  if (away.value) {
    return (
      <div class="notice" role="alert">
        <p><b>The desk’s server does not answer.</b> What was decided is kept. Start it again with <code>ossicle desk</code>; this page goes on by itself.</p>
      </div>
    );
  }
  const now = notice.value;
  if (now === null) return busy.value === null ? null : <div class="notice busy"><p>{busy.value} …</p></div>;
  return (
    <div class={`notice ${now.tone}`} role={now.tone === "said" ? "status" : "alert"}>
      <p><b>{now.what}{now.where ? `, ${now.where}` : ""}.</b>{now.mend && ` ${now.mend[0]?.toUpperCase()}${now.mend.slice(1)}.`}</p>
      <button type="button" class="quiet" onClick={() => (notice.value = null)}>put away</button>
    </div>
  );
}

