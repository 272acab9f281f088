/** What the desk's server says, as far as the page uses it. Lengths in mm; skull coordinates: +x left, +y dorsal, +z rostral. */

export type Vec3 = [number, number, number];
export type Presence = "solid" | "veiled" | "absent";
export type Standing = "computed" | "agreed" | "amended" | "disputed";
export type Generation = "deciduous" | "permanent" | "unreplaced";
export type Emergence = "in_crypt" | "erupting" | "erupted";
export type Group = "bone" | "tooth" | "crypt_crown" | "enamel" | "cavity" | "opening" | "ossicle" | "fragment" | "foreign";
export type Quadrant = "upper_right" | "upper_left" | "lower_right" | "lower_left";

export const QUADRANTS: readonly Quadrant[] = ["upper_right", "upper_left", "lower_right", "lower_left"];

export interface Brief {
  id: string;
  catalogue_number: string;
  taxon: string | null;
  stage: string | null;
  invented: boolean;
  read: boolean;
  teeth: number | null;
  formula: string | null;
  decided: number;
  awaiting: number;
  picture_url: string | null;
  being_read?: boolean;
  human_remains?: boolean;
}

export interface View {
  look: Vec3;
  up: Vec3;
  caption: string;
  centre_mm: Vec3 | null;
  extent_mm: number | null;
  others: Presence;
  presence: Record<string, Presence>;
  lift_mm: number;
  slice: Record<string, string> | null;
}

export interface Finding {
  id: string;
  region: string;
  subject: string;
  statement: string;
  method: string;
  confidence: number;
  value: unknown;
  unit: string | null;
  evidence: { parts: number[]; view: View | null };
  standing: Standing;
}

export interface Tooth {
  part: number;
  name: string;
  jaw: "upper" | "lower";
  side: "left" | "right";
  class: string;
  position: number;
  generation: Generation;
  emergence: Emergence;
  emergence_fraction: number;
  replaces: number | null;
  replaced_by: number | null;
  centroid_mm_xyz: Vec3;
  length_mm: number | null;
  width_mm: number | null;
  crown_height_mm: number | null;
  volume_mm3: number | null;
  confidence: number;
  decided_by: "computed" | "person";
}

export interface Landmark {
  name: string;
  text?: string | null;
  point_scan_mm: Vec3 | null;
  decided_by?: string | null;
  confidence?: number | null;
}

export interface Account {
  teeth: Tooth[];
  findings: Finding[];
  warnings: string[];
  measurements: { name: string; value: number; unit: string; error: number | null; definition: string }[];
  methods: Record<string, { title: string; text: string; source: string }>;
  formula: {
    text: string | null;
    by_generation: string | null;
    dentition: string | null;
    dentition_confidence: number;
    stage: { name: string | null; basis: string };
  };
  pose: { scan_to_skull: number[][]; confidence: number; found: boolean; questions: string[] };
  made_by: { version: string; seconds: number | null };
}

export interface PartInfo {
  part: number;
  kind: string;
  group: Group;
  term: string | null;
  side: string | null;
  name: string;
  jaw: "upper" | "lower" | null;
  volume_mm3: number | null;
  centroid_skull_mm: Vec3;
  lift: Vec3;
  present: boolean;
}

export interface Decision {
  number: number;
  kind: string;
  who: string;
  at: string;
  reason: string | null;
  words: string;
  holds: boolean | null;
  why: string;
  part: number | null;
  finding: string | null;
}

export interface Fate {
  number: number;
  kind: string;
  who: string;
  at: string;
  words: string;
  why: string;
  part: number | null;
  finding: string | null;
}

export interface CharacterCell {
  /** As a matrix has it: `1`, `(01)` both, `{01}` either, `?`, `-`. */
  text: string;
  status: "scored" | "polymorphic" | "uncertain" | "missing" | "inapplicable";
  states: string[];
  why: string;
  standing: Standing;
  confidence: number | null;
}

export interface CharacterTold {
  id: string;
  name: string;
  region: string;
  states: string[];
  ordered: boolean;
  by_rule: boolean;
  source: string;
  number: string | null;
  from_memory: boolean;
  note: string | null;
  cell: CharacterCell;
  /** What the rule alone says; null where a person scores it. */
  rule: CharacterCell | null;
  said: { who: string; state: string; why: string; number: number }[];
  evidence: { parts: number[]; view: View | null };
  fault: string | null;
}

export interface CharactersTold {
  version: number;
  characters: CharacterTold[];
  looked: number;
  all: number;
}

/** Specimens side by side: the first against each of the others. */
export interface Beside {
  specimens: { id: string; name: string }[];
  way: "pose" | "surfaces" | "landmarks";
  scale: boolean;
  across: boolean;
  counterparts: { kind: string; label: string; parts: number[][]; missing: string[] }[];
  pairs: PairTold[];
}

export interface Difference {
  id: string;
  topic: string;
  subject: string;
  values: [string | number | null, string | number | null];
  statement: string;
  confidence: number;
  method: string;
  evidence: [{ parts: number[]; view: View | null }, { parts: number[]; view: View | null }];
}

export interface PairTold {
  other: string;
  specimens: [string, string];
  placement: { way: string; matrix: number[][]; scale: number; rms_mm: number | null; points: number; note: string } | null;
  placement_text: string;
  differences: Difference[];
  measures: { name: string; unit: string; values: [number, number]; errors: [number, number]; differs: boolean }[];
  prose: Record<string, string[]>;
  limit_standard_errors: number;
  notes: string[];
}

/** Teeth of one lane of a locus, both sides; `share` is null in a crypt. */
export interface Lane {
  name: string;
  parts: number[];
  share: number | null;
}

/** Specimens from young to old by eruption. */
export interface SeriesTold {
  specimens: { id: string; name: string; score: number; error: number; stage: string | null; not_told_from_next: boolean; out_of_line: string[] }[];
  tracks: { jaw: "upper" | "lower"; name: string; cells: { deciduous: Lane | null; lasting: Lane | null }[] }[];
  notes: string[];
}

export interface Specimen {
  id: string;
  version: number;
  reading: { number: number; at: string; stale: boolean };
  specimen: {
    catalogue_number: string;
    taxon: string | null;
    stage: string | null;
    sex: string | null;
    human_remains: boolean;
    terms: Record<string, unknown>;
  };
  account: Account;
  parts: PartInfo[];
  scan: { shape_zyx: Vec3; spacing_mm_zyx: Vec3; scan_to_skull: number[][] };
  surfaces_url: string;
  cautions: string[];
  landmarks: Record<string, Vec3>;
  progress: { looked: number; all: number };
  undoable: string | null;
  redoable: string | null;
  unfit: Fate[];
  waiting: Fate[];
  bounds_skull_mm: [Vec3, Vec3];
}

/** A tooth in its row, or a gap that the account tells; mm on the page (x from the midline backwards, y down). */
export interface Slot {
  locus: string | null;
  name: string | null;
  part: number | null;
  state: "tooth" | "gap";
  finding: string | null;
  anomaly?: string | null;
  successor?: number | null;
  generation?: Generation;
  emergence?: Emergence;
  emergence_fraction?: number;
  confidence: number;
  decided_by?: "computed" | "person";
  outline?: string;
  x_mm: number | null;
  margin_mm: number | null;
  from_mm?: number;
  to_mm?: number;
  length_mm: number | null;
}

export interface Row {
  jaw: "upper" | "lower";
  side: "left" | "right";
  slots: Slot[];
  /** The alveolar margin. */
  baseline: [number, number][];
  /** Lowest x and y, highest x and y; null where nothing is drawn. */
  bounds_mm: [number, number, number, number] | null;
}

export interface Rows {
  version: number;
  shape: string;
  quadrants: Partial<Record<Quadrant, Row>>;
  formula: Account["formula"];
}

export interface Plane {
  key: string;
  label: string;
  of: number | null;
  origin_scan_mm: Vec3;
  u: Vec3;
  v: Vec3;
  width_mm: number;
  height_mm: number;
}

export interface Outlines {
  mm_per_px: number;
  outlines: { part: number; rings: [number, number][][] }[];
}

export interface Strip extends Outlines {
  width_px: number;
  height_px: number;
  loci: { part: number; name: string; x_px: number; y_px: number; emergence: Emergence }[];
}

export interface Places {
  path: string | null;
  parent: string | null;
  folders: { name: string; path: string }[];
  scans: { name: string; path: string; format: string; whole_folder: boolean }[];
  more: boolean;
}

/** What a scan's headers say. */
export interface ScanTold {
  path: string;
  name: string;
  format: string;
  series: { id: string; words: string }[];
  shape_zyx: Vec3 | null;
  spacing_mm_zyx: Vec3 | null;
  said_by?: string;
  hint: string | null;
  handedness_known: boolean | null;
}

export interface Job {
  id: string;
  kind: "intake" | "reading";
  name: string | null;
  source: string | null;
  specimen: number | null;
  state: string;
  stage: string | null;
  fraction: number;
  error: string | null;
  needs_spacing: boolean;
  notes: string[];
  picture_url: string | null;
  /** What a reading under way has found so far, to lay over the picture. */
  found_url: string | null;
}

export interface About {
  version: string;
  not_clinical: string;
  cautions: string[];
  collection: string;
  /** Why nothing can be decided here, where that is so. */
  read_only: string | null;
  person: string | null;
  role: "read" | "decide" | "manage";
  /** Whether several persons sign in to this desk. */
  shared: boolean;
  terms: string[];
  dentitions: string[];
}

export interface Definition {
  id: string;
  name: string;
  definition: string;
  unit: string;
  source: string;
  status: string;
  ends: string[];
  plane: string;
  sides: string;
}

export interface Measured {
  kind: string;
  value: number;
  unit: string;
  error: number | null;
  method: string;
}

/** How well rounds of one measure by one person repeat. */
export interface Repeated {
  name: string;
  who: string;
  unit: string | null;
  specimens: { specimen: number; rounds: Record<string, number>; n: number; mean: number; sd: number | null; tem: number | null }[];
  tem: number | null;
  tem_percent: number | null;
  reliability: number | null;
  method: string;
}
