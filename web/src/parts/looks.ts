import type { Specimen } from "../types";
import type { Look, Skull } from "../stage/skull";
import { chosenParts, hoveredPart, leadId, specimens } from "../state/desk";
import { answering as told, evidenceIn, veilFor } from "../state/beside";
import { colouring, evidence, liftNow, own, presenceOf, veilOf } from "../state/showing";
import { colourOf } from "./colours";

/** What answers to a part of one specimen in another: the same locus and generation, or the same term and side. */
export function counterparts(of: number, from: Specimen, within: Specimen): readonly number[] {
  const known = told(of, from.id, within.id);
  if (known !== null && known.length > 0) return known;
  if (known !== null && from.account.teeth.some((t) => t.part === of)) return [];
  const tooth = from.account.teeth.find((t) => t.part === of);
  const found = tooth
    ? within.account.teeth.find((t) => t.jaw === tooth.jaw && t.side === tooth.side && t.name === tooth.name)
    : from.parts.filter((p) => p.part === of).map((p) => within.parts.find((q) => q.kind === p.kind && q.term === p.term && q.side === p.side))[0];
  return found ? [found.part] : [];
}

/** How every piece of a specimen is drawn now. */
export function looksOf(specimen: Specimen, skull: Skull): Look[] {
  const isLead = specimen.id === leadId.value;
  const leading = leadId.value === null ? undefined : specimens.value.get(leadId.value);
  const view = evidence.value;
  const answering = (part: number): readonly number[] => (isLead || leading === undefined ? [part] : counterparts(part, leading, specimen));
  const shown = evidenceIn(specimen.id);
  const chosen = new Set([...chosenParts.value.flatMap(answering), ...(shown && shown.parts.length <= 8 ? shown.parts : [])]);
  const hover = hoveredPart.value;
  let hovered: readonly number[] = [];
  if (hover !== null) {
    const source = specimens.value.get(hover.id);
    hovered = hover.id === specimen.id ? [hover.part] : source ? counterparts(hover.part, source, specimen) : [];
  }
  const here = shown?.view ?? (view === null || isLead ? view : { ...view, presence: translated(view.presence, answering) });
  const veil = veilFor(specimen.id);
  // What was said of a part of the first specimen holds for what answers to it in the others.
  const mine = isLead ? own.value : translated(own.value, answering);
  const parts = new Map(specimen.parts.map((p) => [p.part, p]));
  const teeth = new Map(specimen.account.teeth.map((t) => [t.part, t]));
  const mm = liftNow.value;
  const colour = colouring.value;
  return skull.pieces.map((piece) => {
    const part = parts.get(piece.part);
    if (part === undefined || !part.present) {
      return { presence: "absent", colour: [1, 1, 1], opacity: 0, lift: [0, 0, 0], chosen: false, hovered: false, bone: false };
    }
    const tooth = teeth.get(piece.part);
    const isChosen = chosen.has(piece.part);
    return {
      presence: presenceOf(part, tooth, piece.enamel, here, veil, mine),
      colour: colourOf(part, tooth, colour, piece.enamel),
      opacity: isChosen ? Math.max(0.75, veilOf(part, here, veil)) : veilOf(part, here, veil),
      lift: [part.lift[0] * mm, part.lift[1] * mm, part.lift[2] * mm],
      chosen: isChosen,
      hovered: hovered.includes(piece.part),
      bone: part.group === "bone",
    };
  });
}

function translated<T>(presence: Record<string, T>, answering: (part: number) => readonly number[]): Record<string, T> {
  const out: Record<string, T> = {};
  for (const [part, value] of Object.entries(presence)) {
    for (const here of answering(Number(part))) out[String(here)] = value;
  }
  return out;
}
