import { choosePart, leadId, onStage } from "../state/desk";
import { percent } from "../parts/names";
import type { Lane, SeriesTold } from "../types";

const said = (lane: Lane): string => `${lane.name} ${lane.share === null ? "in its crypt" : lane.share >= 1 ? "in place" : `erupting, ${percent(lane.share)}`}`;

/** Emergence of every locus in each specimen, young to old; each locus has two lanes, deciduous above what stays. */
export function SeriesChart({ told }: { told: SeriesTold }) {
  return (
    <>
      <table class="series">
        <caption>Specimens from young to old by eruption (score 0 to 1 ± standard error). The filled height of a bar is the share of the crown beyond the alveolar margin, mean of both sides; an open diamond is a tooth in its crypt.</caption>
        <thead>
          <tr>
            <th scope="col">Locus</th>
            {told.specimens.map((s) => (
              <th scope="col" key={s.id}>
                {s.id === leadId.value ? <b>{s.name}</b> : <button type="button" class="part-link" aria-label={`Open the account of ${s.name}`} onClick={() => (onStage.value = [s.id, ...onStage.value.filter((id) => id !== s.id)])}>{s.name}</button>}
                <small>{s.stage ?? "no stage told"}</small>
                <small>{s.score.toFixed(2)} ± {s.error.toFixed(2)}</small>
              </th>
            ))}
          </tr>
        </thead>
        {(["upper", "lower"] as const).map((jaw) => (
          <tbody key={jaw}>
            <tr class="jaw"><th scope="rowgroup" colSpan={told.specimens.length + 1}>{jaw === "upper" ? "Upper jaw" : "Lower jaw"}</th></tr>
            {told.tracks.filter((t) => t.jaw === jaw).map((track) => (
              <tr key={track.name}>
                <th scope="row">{track.name}</th>
                {track.cells.map((cell, i) => <Cell key={told.specimens[i]?.id} id={told.specimens[i]?.id ?? ""} lanes={[cell.deciduous, cell.lasting]} />)}
              </tr>
            ))}
          </tbody>
        ))}
      </table>
      <ul class="row-key series-key" aria-hidden="true"><li><span class="swatch hatched" /> deciduous</li><li><span class="swatch permanent" /> permanent, or never replaced</li></ul>
      {told.notes.map((note) => <p class="soft" key={note}>{note}</p>)}
    </>
  );
}

function Cell({ id, lanes }: { id: string; lanes: readonly [Lane | null, Lane | null] }) {
  const some = lanes.filter((l): l is Lane => l !== null);
  if (some.length === 0) return <td><span class="hidden">no tooth</span></td>;
  const text = some.map(said).join(", ");
  const marks = (
    <svg viewBox="0 0 30 26" width="30" height="26" aria-hidden="true">
      {lanes.map((lane, k) => {
        if (lane === null) return null;
        const foot = k === 0 ? 12 : 25;
        const kind = k === 0 ? "deciduous" : "lasting";
        if (lane.share === null) return <path key={kind} class={`lane ${kind} crypt`} d={`M15,${foot - 10}l4.5,4.5l-4.5,4.5l-4.5,-4.5z`} />;
        return (
          <g key={kind} class={`lane ${kind}`}>
            <rect class="whole" x={5} y={foot - 10} width={20} height={10} />
            <rect class="share" x={5} y={foot - 10 * lane.share} width={20} height={10 * lane.share} />
          </g>
        );
      })}
    </svg>
  );
  return (
    <td title={text}>
      {id === leadId.value ? <button type="button" class="cell-mark" aria-label={text} onClick={() => {
        some.flatMap((l) => l.parts).forEach((part, i) => choosePart(part, i > 0));
      }}>{marks}</button> : <>{marks}<span class="hidden">{text}</span></>}
    </td>
  );
}
