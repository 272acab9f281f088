import { useEffect } from "preact/hooks";
import { number } from "../parts/names";
import { across, against, besideFault, chooseDifference, chosenDifference, fitted, laid, LAID, type Laid, pairNow, seriesFault, seriesTold } from "../state/beside";
import { briefs, loadBriefs, onStage, specimens, stand, tellError } from "../state/desk";
import type { Difference, PairTold } from "../types";
import { SeriesChart } from "./SeriesChart";

const LAID_BY: Record<Laid, string> = { pose: "skull pose", surfaces: "surfaces of the crania", landmarks: "shared landmarks" };
const UNITS: Record<string, string> = { mm: "mm", mm2: "mm²", mm3: "mm³", degree: "°", turns: "turns", "1": "" };

/** What differs between the first specimen and another, with evidence in both; three or more also as a series. */
export function BesideLeaf() {
  const ids = onStage.value;
  if (ids.length < 2) return <div class="beside"><NoneYet /></div>;
  const pair = pairNow.value;
  return (
    <div class="beside">
      <Laying />
      {besideFault.value !== null && <p class="empty">They cannot be compared: {besideFault.value}.</p>}
      {besideFault.value === null && pair === null && <p class="empty">Comparing them …</p>}
      {pair && <Pair pair={pair} />}
      {ids.length > 2 && (
        <section aria-labelledby="beside-series">
          <h3 id="beside-series">In order of eruption</h3>
          {seriesTold.value ? <SeriesChart told={seriesTold.value} /> : <p class="soft">{seriesFault.value === null ? "Ordering them …" : `No series: ${seriesFault.value}.`}</p>}
        </section>
      )}
      {ids.length === 2 && <p class="soft">Set three or more side by side to see them as a growth series.</p>}
    </div>
  );
}

function NoneYet() {
  useEffect(() => {
    if (briefs.value === null) loadBriefs().catch(tellError);
  }, []);
  const others = (briefs.value ?? []).filter((b) => b.read && !onStage.value.includes(b.id));
  if (others.length === 0) return <p class="empty">No other specimen of this collection has been read, so nothing can stand beside this one.</p>;
  return (
    <>
      <p class="empty">This specimen stands alone. Set another beside it to see what differs.</p>
      <ul class="others">
        {others.slice(0, 30).map((b) => (
          <li key={b.id}><button type="button" class="part-link" onClick={() => stand(b.id, true)}>{b.catalogue_number}</button> <span class="soft">{b.stage ?? ""}</span></li>
        ))}
      </ul>
    </>
  );
}

/** How the others are laid on the first, and with which of them it is compared. */
function Laying() {
  const others = onStage.value.slice(1);
  return (
    <div class="laying">
      {others.length > 1 && (
        <fieldset class="words">
          <legend>Against</legend>
          {others.map((id) => (
            <label key={id}><input type="radio" name="against" checked={pairNow.value?.other === id} onChange={() => {
              chosenDifference.value = null;
              against.value = id;
            }} /><span>{specimens.value.get(id)?.specimen.catalogue_number ?? id}</span></label>
          ))}
        </fieldset>
      )}
      <fieldset class="words">
        <legend>Laid by</legend>
        {LAID.map((key) => (
          <label key={key}><input type="radio" name="laid" checked={laid.value === key} onChange={() => (laid.value = key)} /><span>{LAID_BY[key]}</span></label>
        ))}
      </fieldset>
      {laid.value !== "pose" && <label class="check"><input type="checkbox" checked={fitted.value} onChange={(e) => (fitted.value = e.currentTarget.checked)} /> enlarge or reduce the others to fit: the scale bar is then that of the first</label>}
      <label class="check"><input type="checkbox" checked={across.value} onChange={(e) => (across.value = e.currentTarget.checked)} /> a deciduous tooth answers to its successor</label>
    </div>
  );
}

function Pair({ pair }: { pair: PairTold }) {
  const [first, second] = pair.specimens;
  const prose = Object.entries(pair.prose);
  return (
    <>
      <p class="soft laid-said">{pair.placement_text}</p>
      <section aria-labelledby="beside-said">
        <h3 id="beside-said">{first} against {second}</h3>
        {prose.length === 0 && <p>No difference was found beyond the errors of the two readings.</p>}
        {prose.map(([heading, lines]) => (
          <div key={heading} class="said">
            <h4>{heading}</h4>
            {lines.map((line) => <p key={line}>{line}</p>)}
          </div>
        ))}
        {pair.notes.map((note) => <p class="soft" key={note}>{note}</p>)}
      </section>
      {pair.differences.length > 0 && (
        <section aria-labelledby="beside-table">
          <h3 id="beside-table">Each difference; press one to see it in both</h3>
          <table class="differences">
            <thead><tr><th scope="col">What</th><th scope="col">{first}</th><th scope="col">{second}</th></tr></thead>
            <tbody>{pair.differences.map((d) => <Row key={d.id} difference={d} pair={pair} />)}</tbody>
          </table>
          <p class="soft">Sizes are told where they lie more than {number(pair.limit_standard_errors, 2)} standard errors apart, so that all comparisons together err once in twenty.</p>
        </section>
      )}
    </>
  );
}

function Row({ difference, pair }: { difference: Difference; pair: PairTold }) {
  const chosen = chosenDifference.value === difference.id;
  const measure = pair.measures.find((m) => m.name === difference.subject);
  const cell = (at: 0 | 1): string => {
    const value = difference.values[at];
    if (typeof value !== "number") return value ?? "not known";
    return measure ? `${number(value)} ± ${number(measure.errors[at], 2)} ${UNITS[measure.unit] ?? measure.unit}` : number(value);
  };
  return (
    <tr class={chosen ? "chosen" : ""}>
      <th scope="row"><button type="button" class="part-link" aria-pressed={chosen} title={difference.statement} onClick={() => chooseDifference(chosen ? null : difference.id)}>{difference.subject}</button></th>
      <td>{cell(0)}</td>
      <td>{cell(1)}</td>
    </tr>
  );
}
