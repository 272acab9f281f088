import { computed, signal } from "@preact/signals";
import type { Finding, Standing } from "../types";
import { chosenFinding, lead } from "../state/desk";
import { UNCERTAIN } from "../parts/names";

export type Filter = "all" | "awaiting" | "uncertain" | "disputed" | "decided";
export const FILTERS: readonly (readonly [Filter, string])[] = [
  ["all", "all"], ["awaiting", "awaiting a decision"], ["uncertain", "uncertain"], ["disputed", "disputed"], ["decided", "decided"],
];
export const filter = signal<Filter>("all");

export const awaits = (finding: Finding): boolean => finding.standing === "computed" || finding.standing === "disputed";

const HEADINGS: Record<string, string> = {
  scan: "Scan", pose: "Pose", dentition: "Dentition", formula: "Dental formula", replacement: "Replacement", stage: "Growth stage",
  completeness: "Completeness", palate: "Palate", jaw: "Lower jaw", ear: "Ear region", braincase: "Braincase and face",
  measurements: "Measurements", asymmetry: "Left against right", teeth: "Each tooth",
};
/** Each tooth comes last: it is the longest, and one reads it beside the rows. */
const ORDER = Object.keys(HEADINGS);

export interface Chapter {
  key: string;
  heading: string;
  findings: Finding[];
}

const kept: Record<Filter, (f: Finding) => boolean> = {
  all: () => true,
  awaiting: awaits,
  uncertain: (f) => f.confidence < UNCERTAIN,
  disputed: (f) => f.standing === "disputed",
  decided: (f) => f.standing !== "computed",
};

const quadrantHeading = (id: string): string => {
  const words = id.split("/")[1]?.split("-") ?? [];
  return words.length === 2 ? `Each tooth: ${words[1]} ${words[0]} row` : "Each tooth";
};

export const chapters = computed<Chapter[]>(() => {
  const found = lead.value?.account.findings ?? [];
  const by = new Map<string, Chapter>();
  const add = (key: string, heading: string, finding: Finding): void => {
    const chapter = by.get(key) ?? { key, heading, findings: [] };
    by.set(key, chapter);
    chapter.findings.push(finding);
  };
  const rank = (f: Finding): number => {
    const at = ORDER.indexOf(f.region);
    return at < 0 ? ORDER.length - 1.5 : at;
  };
  const wanted = (f: Finding): boolean => kept[filter.value](f) || f.id === chosenFinding.value;
  for (const finding of [...found].filter(wanted).sort((a, b) => rank(a) - rank(b))) {
    if (finding.region === "teeth") add(`teeth/${finding.id.split("/")[1]}`, quadrantHeading(finding.id), finding);
    else add(finding.region, HEADINGS[finding.region] ?? finding.region, finding);
  }
  return [...by.values()];
});

export const sequence = computed(() => chapters.value.flatMap((c) => c.findings));

export const STANDING: Record<Standing, { sign: string; word: string }> = {
  computed: { sign: "○", word: "computed" },
  agreed: { sign: "✓", word: "agreed" },
  amended: { sign: "✎", word: "amended" },
  disputed: { sign: "?", word: "disputed" },
};
