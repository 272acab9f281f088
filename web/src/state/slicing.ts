import { signal } from "@preact/signals";
import type { Plane } from "../types";

/** The one free slice, and how the rows are shown. */
export const planes = signal<readonly Plane[]>([]);
/** Key of the plane that the slice has snapped to; null: none is shown. */
export const sliceKey = signal<string | null>(null);
/** How far the slice was moved off its plane, mm along its normal, and turned about its own axes, degrees. */
export const sliceShift = signal(0);
export const sliceTurn = signal<readonly [number, number]>([0, 0]);
export const rowsAs = signal<"drawn" | "unrolled">("drawn");
export const stripThickness = signal(1);
