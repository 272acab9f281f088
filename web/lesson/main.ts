import { byId } from "./byid";
import type { AskData, LessonData, StepData, TalkData } from "./data";
import { Presenting } from "./present";
import { Show } from "./show";
import { Talk } from "./talk";
import "./lesson.css";

/** Answers are compared without case, accents, punctuation and doubled spaces. */
export const plain = (text: string): string =>
  text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase().replace(/[^a-z0-9]+/g, " ").trim();

class Page {
  at = 0;
  private readonly presenting: Presenting;
  private readonly show: Show;
  private readonly given = new Map<number, boolean>();

  constructor(private readonly data: LessonData) {
    this.presenting = new Presenting(this);
    byId("present").hidden = data.kind !== "lesson";
    this.show = new Show(this.data, byId("stage"), byId("marks"), byId("scale"), byId("named"), (moved) => {
      byId<HTMLButtonElement>("return").hidden = !moved;
    });
    (window as unknown as { lessonShow: Show }).lessonShow = this.show;
  }

  async open(): Promise<void> {
    await this.show.load();
    const list = byId<HTMLOListElement>("steps");
    this.data.steps.forEach((step, n) => {
      const item = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = step.title;
      button.addEventListener("click", () => this.go(n));
      item.append(button);
      list.append(item);
    });
    byId("back").addEventListener("click", () => this.go(this.at - 1));
    byId("next").addEventListener("click", () => this.go(this.at + 1));
    byId("return").addEventListener("click", () => this.show.go(this.step, false));
    document.addEventListener("keydown", (event) => this.key(event));
    const asked = Number(/^#(\d+)$/.exec(location.hash)?.[1] ?? "1") - 1;
    this.go(Number.isInteger(asked) && asked >= 0 && asked < this.data.steps.length ? asked : 0, true);
    document.documentElement.dataset["ready"] = "yes";
  }

  get title(): string {
    return this.data.title;
  }

  get steps(): readonly StepData[] {
    return this.data.steps;
  }

  private get step(): StepData {
    return this.data.steps[this.at] as StepData;
  }

  private go(n: number, atOnce = false): void {
    if (n < 0 || n >= this.data.steps.length) return;
    this.at = n;
    const step = this.step;
    byId("title").textContent = step.title;
    // Made from Markdown by the program that wrote this page, with everything else escaped.
    byId("narration").innerHTML = step.html;
    byId("count").textContent = `${n + 1} of ${this.data.steps.length}`;
    byId<HTMLButtonElement>("back").disabled = n === 0;
    byId<HTMLButtonElement>("next").disabled = n === this.data.steps.length - 1;
    [...byId("steps").querySelectorAll("button")].forEach((b, i) => {
      if (i === n) b.setAttribute("aria-current", "step");
      else b.removeAttribute("aria-current");
    });
    byId("panel").scrollTop = 0;
    this.show.go(step, atOnce);
    history.replaceState(null, "", `#${n + 1}`);
    this.presenting.tell();
    const ask = byId<HTMLElement>("ask");
    ask.replaceChildren();
    ask.hidden = step.ask === null;
    if (step.ask) this.pose(step.ask, ask);
  }

  private pose(ask: AskData, into: HTMLElement): void {
    if (this.given.has(this.at)) {
      this.explain(ask, into, null);
      return;
    }
    if (ask.choices.length > 0) {
      for (const choice of ask.choices) {
        const button = document.createElement("button");
        button.type = "button";
        button.className = "choice";
        button.textContent = choice;
        button.addEventListener("click", () => this.answer(ask, into, choice));
        into.append(button);
      }
      return;
    }
    const form = document.createElement("form");
    const field = document.createElement("input");
    field.type = "text";
    field.autocomplete = "off";
    field.setAttribute("aria-label", "Your answer");
    const button = document.createElement("button");
    button.textContent = "Answer";
    form.append(field, button);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (plain(field.value) !== "") this.answer(ask, into, field.value);
    });
    into.append(form);
  }

  private answer(ask: AskData, into: HTMLElement, said: string): void {
    this.given.set(this.at, ask.answers.includes(plain(said)));
    this.explain(ask, into, said);
    const right = [...this.given.values()].filter(Boolean).length;
    byId("score").textContent = `${right} right of ${this.given.size} answered`;
  }

  private explain(ask: AskData, into: HTMLElement, said: string | null): void {
    const verdict = document.createElement("p");
    verdict.className = "verdict";
    const right = this.given.get(this.at) === true;
    verdict.textContent = `${right ? "Right" : said === null ? "Not right" : `Not right: ${said}`}. It is the ${ask.said}.`;
    const why = document.createElement("div");
    why.innerHTML = ask.html;
    into.replaceChildren(verdict, why);
  }

  key(event: KeyboardEvent): void {
    const typing = event.target instanceof HTMLInputElement;
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    const onButton = event.target instanceof HTMLButtonElement && !this.presenting.runs;
    const turn = 0.16;
    const act: Record<string, () => void> = {
      ArrowRight: () => (event.shiftKey ? this.turn(turn, 0) : this.go(this.at + 1)),
      ArrowLeft: () => (event.shiftKey ? this.turn(-turn, 0) : this.go(this.at - 1)),
      PageDown: () => this.go(this.at + 1),
      PageUp: () => this.go(this.at - 1),
      Home: () => this.go(0),
      End: () => this.go(this.data.steps.length - 1),
      "+": () => this.nearer(0.85),
      "-": () => this.nearer(1 / 0.85),
      r: () => this.show.go(this.step, false),
    };
    if (this.data.kind === "lesson") act["p"] = () => this.presenting.begin();
    if (this.presenting.runs) act["Escape"] = () => this.presenting.end();
    if (event.shiftKey) {
      act["ArrowUp"] = () => this.turn(0, -turn);
      act["ArrowDown"] = () => this.turn(0, turn);
    }
    if (!onButton) act[" "] = () => this.go(this.at + 1);
    const chosen = act[event.key];
    this.presenting.fill();
    if (chosen) {
      event.preventDefault();
      chosen();
    }
  }

  private turn(sideways: number, over: number): void {
    this.show.stage.turnBy(sideways, over);
    byId<HTMLButtonElement>("return").hidden = false;
  }

  private nearer(factor: number): void {
    this.show.stage.nearer(factor);
    byId<HTMLButtonElement>("return").hidden = false;
  }
}

const data = JSON.parse(byId("lesson-data").textContent as string) as LessonData | TalkData;
// Within a promise, so that whatever fails is told.
Promise.resolve().then(() => (data.kind === "talk" ? new Talk(data) : new Page(data)).open()).catch((error: unknown) => {
  const told = document.createElement("p");
  told.textContent = `The skull cannot be drawn in this browser (${String(error)}).`;
  byId("panel").prepend(told);
});
