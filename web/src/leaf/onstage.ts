import { effect } from "@preact/signals";
import { Vector3 } from "three";
import { api } from "../api";
import { lead } from "../state/desk";
import { Sheet } from "../stage/sheet";
import { stage } from "../state/eye";
import { apply } from "../state/marking";
import type { Vec3 } from "../types";
import { slicing } from "./cut";

/** Stands the slice among the parts, with its greys; returns how to take it away. */
export function sliceOnStage(): () => void {
  const on = stage.value;
  if (on === null) return () => undefined;
  const sheet = new Sheet(on);
  let asked = new AbortController();
  let timer = 0;
  const stop = effect(() => {
    const cut = slicing.value;
    const specimen = lead.value;
    if (cut === null || specimen === null) return;
    const { origin, u, v, width, height } = cut;
    const corner = (a: number, b: number): Vec3 => {
      const at = new Vector3(...origin).addScaledVector(new Vector3(...u), (a * width) / 2).addScaledVector(new Vector3(...v), (b * height) / 2);
      return apply(specimen.scan.scan_to_skull, [at.x, at.y, at.z]);
    };
    sheet.stand([corner(-1, -1), corner(1, -1), corner(1, 1), corner(-1, 1)]);
    asked.abort();
    asked = new AbortController();
    const { signal } = asked;
    window.clearTimeout(timer);
    timer = window.setTimeout(() => {
      api.slicePicture(specimen.id, { ...cut, px: 512 }, signal).then(createImageBitmap).then((picture) => sheet.fill(picture), () => undefined);
    }, 60);
  });
  return () => {
    stop();
    asked.abort();
    sheet.dispose();
  };
}
