import type { ComponentChildren } from "preact";
import { LessonLeaf } from "../lesson/LessonLeaf";
import { leaf, type Leaf } from "../state/showing";
import { TalkLeaf } from "../talk/TalkLeaf";
import { BesideLeaf } from "./BesideLeaf";
import { CharactersLeaf } from "./CharactersLeaf";
import { HistoryLeaf } from "./HistoryLeaf";
import { MeasureLeaf } from "./MeasureLeaf";
import { PartsLeaf } from "./PartsLeaf";
import { SliceLeaf } from "./SliceLeaf";

const TITLES: Record<NonNullable<Leaf>, string> = { slice: "Slice", measure: "Measures", parts: "Each part", history: "Decisions", beside: "Side by side", characters: "Characters", lesson: "Lesson", talk: "Talk" };

/** The leaf that may lie open beside the stage. */
export function LeafPlace() {
  const open = leaf.value;
  if (open === null) return null;
  const within: Record<NonNullable<Leaf>, () => ComponentChildren> = {
    slice: () => <SliceLeaf />,
    measure: () => <MeasureLeaf />,
    parts: () => <PartsLeaf />,
    history: () => <HistoryLeaf />,
    beside: () => <BesideLeaf />,
    characters: () => <CharactersLeaf />,
    lesson: () => <LessonLeaf />,
    talk: () => <TalkLeaf />,
  };
  return (
    <section class="leaf" aria-label={TITLES[open]} data-place="leaf">
      <header>
        <h2>{TITLES[open]}</h2>
        <button type="button" class="quiet" onClick={() => (leaf.value = null)}>close the leaf</button>
      </header>
      {within[open]()}
    </section>
  );
}
