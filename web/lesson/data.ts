import type { Group, Vec3 } from "../src/types";

/** What `ossicle.publish.lesson` puts into the page. Lengths in mm, skull coordinates. */

export interface PartData {
  part: number;
  name: string;
  group: Group;
  colour: Vec3;
  enamel: Vec3;
  lift: Vec3;
  centre: Vec3;
}

export interface SpecimenData {
  name: string;
  glb: string;
  parts: PartData[];
}

export interface ShownData {
  specimen: number;
  solid: number[];
  veiled: number[];
  /** Teeth whose enamel is drawn; that of all solid ones where left out. */
  enamel?: number[];
  chosen?: number[];
  /** How dense veiled bone is. */
  veil?: number;
  /** How it is laid on the first: 4x4 in rows; in its own skull pose where left out. */
  laid?: number[];
}

export interface LabelData {
  specimen: number;
  part: number;
  text: string;
}

export interface AskData {
  specimen: number;
  part: number;
  answers: string[];
  choices: string[];
  said: string;
  html: string;
}

export interface StepData {
  title: string;
  html: string;
  /** For the speaker alone. */
  notes: string;
  look: Vec3;
  up: Vec3;
  centre: Vec3 | null;
  extent: number | null;
  /** Width by height of the stage where the view was kept: as much is shown on any other. */
  aspect?: number;
  parallel?: boolean;
  lift: number;
  shown: ShownData[];
  labels: LabelData[];
  clip: { normal: Vec3; reach: number } | null;
  travel: boolean;
  ask: AskData | null;
}

export interface PageData {
  kind: "lesson" | "spotter" | "talk";
  title: string;
  note: string;
  specimens: SpecimenData[];
}

export interface EyeData {
  look: Vec3;
  up: Vec3;
  centre: Vec3;
  extent: number;
  aspect: number;
  parallel: boolean;
}

/** What changed at `t` ms; what is left out stays as it was. */
export interface EventData {
  t: number;
  eye?: EyeData;
  shown?: ShownData[];
  labels?: LabelData[];
  lift?: number;
  clip?: StepData["clip"];
  /** mm right and up on the page from where the eye looks; null: nothing is pointed at. */
  pointer?: [number, number] | null;
}

export interface TalkData extends PageData {
  kind: "talk";
  /** WebM as base64; empty where the talk is silent. */
  voice: string;
  length: number;
  events: EventData[];
  chapters: { t: number; title: string }[];
  captions: { from: number; to: number; text: string }[];
}

export interface LessonData extends PageData {
  kind: "lesson" | "spotter";
  steps: StepData[];
}
