import { signal } from "@preact/signals";

/** Whether the sheet of keys lies open. */
export const keysOpen = signal(false);
