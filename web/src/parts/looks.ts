import type { Specimen } from "../types";
import type { Look, Skull } from "../stage/skull";
import { chosenParts, hoveredPart, leadId, specimens } from "../state/desk";
import { colouring, evidence, liftNow, presenceOf, veilOf } from "../state/showing";
import { colourOf } from "./colours";

/** What answers to a part of one specimen in another: the same locus and generation, or the same term and side. */
export function counterpart(of: number, from: Specimen, within: Specimen): number | null {
  const tooth = from.account.teeth.find((t) => t.part === of);
  if (tooth) {
    return within.account.teeth.find((t) => t.jaw === tooth.jaw && t.side === tooth.side && t.name === tooth.name)?.part ?? null;
  }
  const part = from.parts.find((p) => p.part === of);
  if (part === undefined) return null;
  return within.parts.find((p) => p.kind === part.kind && p.term === part.term && p.side === part.side)?.part ?? null;
}

/** How every piece of a specimen is drawn now. */
export function looksOf(specimen: Specimen, skull: Skull): Look[] {
  const isLead = specimen.id === leadId.value;
  const leading = leadId.value === null ? undefined : specimens.value.get(leadId.value);
  const view = evidence.value;
  const answering = (part: number): number | null => (isLead || leading === undefined ? part : counterpart(part, leading, specimen));
  const chosen = new Set(chosenParts.value.map(answering));
  const hover = hoveredPart.value;
  let hovered: number | null = null;
  if (hover !== null) {
    const source = specimens.value.get(hover.id);
    hovered = hover.id === specimen.id ? hover.part : source ? counterpart(hover.part, source, specimen) : null;
  }
  const here = view === null || isLead ? view : { ...view, presence: translated(view.presence, answering) };
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
      presence: presenceOf(part, tooth, piece.enamel, here),
      colour: colourOf(part, tooth, colour, piece.enamel),
      opacity: isChosen ? Math.max(0.75, veilOf(part, here)) : veilOf(part, here),
      lift: [part.lift[0] * mm, part.lift[1] * mm, part.lift[2] * mm],
      chosen: isChosen,
      hovered: piece.part === hovered,
      bone: part.group === "bone",
    };
  });
}

function translated<T>(presence: Record<string, T>, answering: (part: number) => number | null): Record<string, T> {
  const out: Record<string, T> = {};
  for (const [part, value] of Object.entries(presence)) {
    const here = answering(Number(part));
    if (here !== null) out[String(here)] = value;
  }
  return out;
}
