import { computed } from "@preact/signals";
import { about, say } from "./desk";

/** What the person before the page may do. The server refuses the rest in any case; the page does not offer it. */
export const mayDecide = computed(() => about.value === null || (about.value.read_only === null && about.value.role !== "read"));
export const mayManage = computed(() => about.value === null || (about.value.read_only === null && about.value.role === "manage"));

/** Says why nothing can be decided, where that is so. */
export function refusesDeciding(): boolean {
  if (mayDecide.value) return false;
  say(about.value?.read_only ?? "Your role is to read: you may look and measure, and not decide", true);
  return true;
}
