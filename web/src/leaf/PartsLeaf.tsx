import { chosenParts, choosePart, hoveredPart, lead } from "../state/desk";
import { centreOn } from "../state/eye";
import { own, presenceOf, setOwn, evidence } from "../state/showing";
import { veilFor } from "../state/beside";
import { describe, nameOfTooth } from "../parts/names";
import { PresenceChoice } from "../stage/Margin";
import type { PartInfo, Tooth } from "../types";

/** Every part by name, each solid, veiled or absent on its own. */
export function PartsLeaf() {
  const specimen = lead.value;
  if (specimen === null) return null;
  const teeth = new Map(specimen.account.teeth.map((t) => [t.part, t]));
  const groups = new Map<string, PartInfo[]>();
  for (const part of specimen.parts) {
    const tooth = teeth.get(part.part);
    const name = tooth ? `${tooth.jaw} ${tooth.side}` : { bone: "bone", cavity: "cavities", opening: "openings", ossicle: "ossicles" }[part.kind] ?? part.group;
    groups.set(name, [...(groups.get(name) ?? []), part]);
  }
  const rank = ["bone", "upper left", "upper right", "lower left", "lower right"];
  const order = [...groups].sort(([a], [b]) => (rank.indexOf(a) + 99) % 99 - ((rank.indexOf(b) + 99) % 99));
  return (
    <div class="parts-list">
      {Object.keys(own.value).length > 0 && <button type="button" class="quiet" onClick={() => (own.value = {})}>let all follow their groups</button>}
      {order.map(([name, parts]) => (
        <section key={name} aria-label={name}>
          <h3>{name}</h3>
          <ul>{parts.map((p) => <PartLine key={p.part} part={p} tooth={teeth.get(p.part)} />)}</ul>
        </section>
      ))}
    </div>
  );
}

function PartLine({ part, tooth }: { part: PartInfo; tooth: Tooth | undefined }) {
  const name = tooth ? nameOfTooth(tooth) : describe(part);
  const chosen = chosenParts.value.includes(part.part);
  return (
    <li class={chosen ? "chosen" : ""} onPointerEnter={() => (hoveredPart.value = lead.value && { id: lead.value.id, part: part.part })} onPointerLeave={() => (hoveredPart.value = null)}>
      <button type="button" class="part-link" aria-pressed={chosen} onClick={(e) => {
        choosePart(part.part, e.shiftKey);
        centreOn([part]);
      }}>{name}</button>
      <PresenceChoice name={`${name}${tooth ? `, ${tooth.jaw} ${tooth.side}` : ""} (part ${part.part})`} value={presenceOf(part, tooth, false, evidence.value, veilFor(lead.value?.id ?? ""), own.value)} set={(p) => setOwn([part.part], p)} />
    </li>
  );
}
