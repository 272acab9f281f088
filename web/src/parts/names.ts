import type { PartInfo, Quadrant, Specimen, Tooth } from "../types";

/** A name of which the reading is not sure carries a question mark (confidence below 0.7, as in the account). */
export const UNCERTAIN = 0.7;

export function nameOfTooth(tooth: Tooth): string {
  return tooth.confidence < UNCERTAIN && tooth.decided_by !== "person" ? `${tooth.name}?` : tooth.name;
}

export function nameOfPart(specimen: Specimen, part: number): string {
  const tooth = specimen.account.teeth.find((t) => t.part === part);
  if (tooth) return nameOfTooth(tooth);
  const info = specimen.parts.find((p) => p.part === part);
  return info ? describe(info) : `part ${part}`;
}

export function describe(part: PartInfo): string {
  const side = part.side === "left" || part.side === "right" ? `${part.side} ` : "";
  return `${side}${part.name}`;
}

export const quadrantOf = (tooth: Tooth): Quadrant => `${tooth.jaw}_${tooth.side}`;

export const EMERGENCE: Record<Tooth["emergence"], string> = { in_crypt: "in its crypt", erupting: "erupting", erupted: "erupted" };

/** Numbers as the account writes them: three significant digits, the unit tied on. */
export function number(value: number, digits = 3): string {
  if (!Number.isFinite(value)) return "not known";
  if (value === 0) return "0";
  return value.toFixed(Math.min(6, Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(value))))));
}

export function lengthSaid(mm: number | null): string {
  if (mm === null) return "not known";
  return Math.abs(mm) > 0 && Math.abs(mm) < 0.1 ? `${number(mm * 1000)} µm` : `${number(mm)} mm`;
}

export function sure(confidence: number): string {
  if (confidence >= 0.95) return "sure";
  if (confidence >= 0.85) return "nearly sure";
  if (confidence >= 0.7) return "probable";
  return confidence >= 0.5 ? "uncertain" : "very uncertain";
}

export const percent = (share: number): string => `${Math.round(100 * share)} %`;
