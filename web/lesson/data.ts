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
  look: Vec3;
  up: Vec3;
  centre: Vec3 | null;
  extent: number | null;
  lift: number;
  shown: ShownData[];
  labels: LabelData[];
  clip: { normal: Vec3; reach: number } | null;
  travel: boolean;
  ask: AskData | null;
}

export interface LessonData {
  kind: "lesson" | "spotter";
  title: string;
  note: string;
  specimens: SpecimenData[];
  steps: StepData[];
}
