import type { PartInfo, Tooth } from "../types";

/**
 * Colours of parts, after the palette of Okabe & Ito 2008 ("Color Universal Design"), lightened so that light and shade
 * still show form; they stay apart for the common kinds of colour blindness. Nothing is told by colour alone: generation
 * also stands as hatching in the rows and in words everywhere.
 */
export type Rgb = readonly [number, number, number];

const BONE: Rgb = [0.87, 0.83, 0.75];
const GENERATION: Record<Tooth["generation"], Rgb> = {
  permanent: [0.5, 0.71, 0.88],
  deciduous: [0.95, 0.74, 0.36],
  unreplaced: [0.42, 0.77, 0.64],
};
const CLASS: Record<string, Rgb> = {
  incisor: [0.5, 0.76, 0.93],
  canine: [0.89, 0.5, 0.28],
  premolar: [0.32, 0.73, 0.6],
  molar: [0.94, 0.72, 0.32],
};
const REST: Record<PartInfo["group"], Rgb> = {
  bone: BONE,
  tooth: [0.9, 0.88, 0.8],
  crypt_crown: [0.9, 0.88, 0.8],
  enamel: [0.96, 0.95, 0.92],
  cavity: [0.82, 0.62, 0.74],
  opening: [0.88, 0.46, 0.22],
  ossicle: [0.93, 0.87, 0.4],
  fragment: [0.62, 0.62, 0.62],
  foreign: [0.35, 0.36, 0.4],
};

const mix = (a: Rgb, b: Rgb, t: number): Rgb => [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, a[2] + (b[2] - a[2]) * t];

export function colourOf(part: PartInfo, tooth: Tooth | undefined, by: "generation" | "class" | "confidence", enamel: boolean): Rgb {
  if (tooth === undefined) return REST[part.group];
  const body =
    by === "generation"
      ? GENERATION[tooth.generation]
      : by === "class"
        ? (CLASS[tooth.class] ?? REST.tooth)
        : mix([0.85, 0.37, 0.01], [0.78, 0.86, 0.95], Math.max(0, Math.min(1, (tooth.confidence - 0.3) / 0.65)));
  return enamel ? mix(body, [1, 0.995, 0.97], 0.34) : mix(body, [0.72, 0.6, 0.46], 0.16);
}
