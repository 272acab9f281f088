import { mayDecide } from "../state/role";
import { chosenParts, choosePart, lead, leadRows, partsByNumber, teethByPart } from "../state/desk";
import { centreOn } from "../state/eye";
import { EMERGENCE, describe, lengthSaid, nameOfTooth, percent, sure } from "../parts/names";
import { openForm, startAdding, startCutting, toothForm } from "./toothacts";
import { ToothForm } from "./ToothForm";

/** Beside the rows: what is chosen, and what may be done with it; the formula where nothing is. */
export function ToothCard() {
  const specimen = lead.value;
  if (specimen === null) return null;
  const parts = chosenParts.value;
  const tooth = parts.length === 1 ? teethByPart.value.get(parts[0] as number) : undefined;
  const info = parts.length === 1 ? partsByNumber.value.get(parts[0] as number) : undefined;
  const isTooth = info?.kind === "tooth";
  return (
    <div class="tooth-card">
      {toothForm.value !== null ? <ToothForm /> : tooth ? (
        <>
          <h2>{nameOfTooth(tooth)} <small>{tooth.jaw} {tooth.side}</small></h2>
          <p>{tooth.generation} {tooth.class}, {EMERGENCE[tooth.emergence]}{tooth.emergence === "erupting" ? ` (${percent(tooth.emergence_fraction)})` : ""}; {tooth.decided_by === "person" ? "named by a person" : sure(tooth.confidence)}.</p>
          <p class="sizes">{lengthSaid(tooth.length_mm)} long, {lengthSaid(tooth.width_mm)} wide, crown {lengthSaid(tooth.crown_height_mm)} high</p>
          <Succession />
        </>
      ) : info ? (
        <><h2>{describe(info)}</h2><p>{info.term && info.term !== info.name ? `${info.term}. ` : ""}{info.volume_mm3 !== null && `${info.volume_mm3} mm³`}</p></>
      ) : parts.length > 1 ? (
        <><h2>{parts.length} parts</h2><p>{parts.map((p) => teethByPart.value.get(p)?.name ?? partsByNumber.value.get(p)?.name ?? p).join(", ")}</p></>
      ) : <FormulaNow />}
      {toothForm.value === null && mayDecide.value && (
        <div class="verbs">
          {tooth && <button type="button" aria-keyshortcuts="r" onClick={() => openForm("rename")}>Rename</button>}
          {tooth && <button type="button" aria-keyshortcuts="g" onClick={() => openForm("generation")}>Generation</button>}
          {parts.length > 1 && <button type="button" aria-keyshortcuts="j" onClick={() => openForm("join")}>Join</button>}
          {isTooth && <button type="button" aria-keyshortcuts="x" onClick={startCutting}>Cut</button>}
          {isTooth && <button type="button" aria-keyshortcuts="Delete" onClick={() => openForm("discard")}>Discard</button>}
          {parts.length === 0 && <button type="button" aria-keyshortcuts="i" onClick={startAdding}>Add a missed tooth</button>}
        </div>
      )}
    </div>
  );
}

function Succession() {
  const specimen = lead.value;
  const tooth = teethByPart.value.get(chosenParts.value[0] ?? -1);
  if (!specimen || !tooth) return null;
  const other = tooth.replaced_by ?? tooth.replaces;
  const there = other === null ? undefined : teethByPart.value.get(other);
  if (!there) return null;
  const both = [tooth.part, there.part];
  return (
    <p>{tooth.replaced_by !== null ? "To be replaced by" : "Replaces"}{" "}
      <button type="button" class="part-link" onClick={() => choosePart(there.part)}>{nameOfTooth(there)}</button>;{" "}
      <button type="button" class="part-link" onClick={() => {
        chosenParts.value = both;
        centreOn(specimen.parts.filter((p) => both.includes(p.part)), true);
      }}>both together</button>.
    </p>
  );
}

function FormulaNow() {
  const formula = leadRows.value?.formula ?? lead.value?.account.formula;
  if (!formula?.text) return <p class="soft">No tooth stands in place.</p>;
  return (
    <>
      <h2 class="formula-now">{formula.text}</h2>
      {formula.by_generation && <p>Deciduous teeth apart: {formula.by_generation}.</p>}
      <ul class="key row-key" aria-label="Key to the rows">
        <li><span class="swatch permanent" aria-hidden="true" />permanent</li>
        <li><span class="swatch deciduous hatched" aria-hidden="true" />deciduous</li>
        <li><span class="swatch unreplaced dotted" aria-hidden="true" />one generation</li>
        <li><span class="swatch crypt" aria-hidden="true" />in its crypt</li>
      </ul>
    </>
  );
}
