import { byId } from "./byid";
import type { StepData } from "./data";

export interface Presented {
  readonly title: string;
  readonly steps: readonly StepData[];
  readonly at: number;
  key(event: KeyboardEvent): void;
}

const time = (ms: number): string => `${Math.floor(ms / 60000)}:${String(Math.floor(ms / 1000) % 60).padStart(2, "0")}`;

/** A lesson in the lecture hall: the stage and a title fill the screen, what is to be said stands in a second window. */
export class Presenting {
  private notes: Window | null = null;
  private began = 0;
  private fills = false;
  private timer = 0;

  constructor(private readonly page: Presented) {
    byId("present").addEventListener("click", () => this.begin());
    document.addEventListener("fullscreenchange", () => {
      if (document.fullscreenElement === null && this.runs) this.end();
    });
    window.addEventListener("pagehide", () => this.end());
  }

  get runs(): boolean {
    return document.documentElement.dataset["presenting"] === "yes";
  }

  begin(): void {
    if (this.runs) return;
    // The window first: only what follows a press at once may open one.
    this.notes = window.open("", "lesson-notes", "popup,width=760,height=680");
    document.documentElement.dataset["presenting"] = "yes";
    this.fills = false;
    this.began = performance.now();
    if (this.notes) this.lay(this.notes);
    else byId("named").textContent = "The browser opened no second window for the notes; allow pop-ups of this page.";
    this.tell();
    byId("stage").focus();
  }

  /** Takes the whole screen at the first press after the second window has opened, since one press may do one of the two. */
  fill(): void {
    if (!this.runs || this.fills || navigator.userActivation?.isActive !== true) return;
    this.fills = true;
    document.documentElement.requestFullscreen?.().catch(() => undefined);
  }

  end(): void {
    delete document.documentElement.dataset["presenting"];
    if (document.fullscreenElement) void document.exitFullscreen();
    window.clearInterval(this.timer);
    this.notes?.close();
    this.notes = null;
  }

  private lay(view: Window): void {
    const page = view.document;
    page.title = `Notes: ${this.page.title}`;
    page.documentElement.lang = "en";
    page.documentElement.dataset["notes"] = "yes";
    // The very style of this page, which its policy allows there as here.
    const style = page.createElement("style");
    style.textContent = document.querySelector("style")?.textContent ?? "";
    const body = ["clock", "step", "said", "notes", "next"].map((id) => {
      const part = page.createElement("div");
      part.id = `note-${id}`;
      return part;
    });
    page.head.replaceChildren(style);
    page.body.replaceChildren(...body);
    page.addEventListener("keydown", (event) => this.page.key(event));
    window.clearInterval(this.timer);
    this.timer = window.setInterval(() => this.clock(), 500);
  }

  private clock(): void {
    const part = this.notes?.document.getElementById("note-clock");
    if (part) part.textContent = `${time(performance.now() - this.began)} since the beginning, step ${this.page.at + 1} of ${this.page.steps.length}`;
  }

  /** Tells the speaker what the step is about. */
  tell(): void {
    const page = this.notes?.document;
    const step = this.page.steps[this.page.at];
    if (!page || !step || !this.runs) return;
    const put = (id: string, html: string, text = ""): void => {
      const part = page.getElementById(`note-${id}`);
      if (!part) return;
      // Made from Markdown by the program that wrote this page, with everything else escaped.
      if (html === "") part.textContent = text;
      else part.innerHTML = html;
    };
    put("step", "", step.title);
    put("said", step.html);
    put("notes", step.notes);
    const next = this.page.steps[this.page.at + 1];
    put("next", "", next ? `Next: ${next.title}` : "This is the last step.");
    this.clock();
  }
}
