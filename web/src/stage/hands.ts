import type { Stage } from "./stage";

/** Mouse, touch and wheel on the stage: drag to turn, Shift or the right button to shift, wheel or two fingers for nearer. */
export function takeInHand(stage: Stage): () => void {
  const canvas = stage.canvas;
  const fingers = new Map<number, { x: number; y: number }>();
  let travelled = 0;
  let stroke: [number, number][] = [];
  let hoverAsked = 0;

  const place = (event: { clientX: number; clientY: number }): { x: number; y: number } => {
    const box = canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  const down = (event: PointerEvent): void => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, place(event));
    travelled = 0;
    if (stage.stroking) {
      const { x, y } = place(event);
      stroke = [[x, y]];
    }
  };

  const move = (event: PointerEvent): void => {
    const before = fingers.get(event.pointerId);
    const now = place(event);
    if (before === undefined) {
      cancelAnimationFrame(hoverAsked);
      hoverAsked = requestAnimationFrame(() => stage.tell().hovered(stage.at(now.x, now.y)));
      return;
    }
    const dx = now.x - before.x;
    const dy = now.y - before.y;
    travelled += Math.hypot(dx, dy);
    if (fingers.size === 2) {
      const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
      if (other) {
        const was = Math.hypot(before.x - other.x, before.y - other.y);
        const is = Math.hypot(now.x - other.x, now.y - other.y);
        if (was > 0 && is > 0) stage.nearer(was / is, (now.x + other.x) / 2, (now.y + other.y) / 2);
        stage.shiftBy(dx / 2, dy / 2);
      }
    } else if (stage.stroking) {
      stroke.push([now.x, now.y]);
      stage.tell().stroke(stroke);
    } else if (event.shiftKey || (event.buttons & 6) !== 0) stage.shiftBy(dx, dy);
    else if (travelled > 3) stage.turnBy(-dx * 0.0085, -dy * 0.0085);
    fingers.set(event.pointerId, now);
  };

  const up = (event: PointerEvent): void => {
    if (!fingers.delete(event.pointerId)) return;
    if (stage.stroking && stroke.length > 0) {
      stage.tell().stroke([...stroke, [NaN, NaN]]);
      stroke = [];
    } else if (travelled <= 3 && event.button === 0) {
      const { x, y } = place(event);
      stage.tell().picked(stage.at(x, y), event);
    }
  };

  const cancel = (event: PointerEvent): void => {
    fingers.delete(event.pointerId);
  };
  const leave = (): void => stage.tell().hovered(null);
  const wheel = (event: WheelEvent): void => {
    event.preventDefault();
    const { x, y } = place(event);
    const lines = event.deltaMode === 1 ? 16 : 1;
    stage.nearer(Math.exp(Math.max(-0.5, Math.min(0.5, event.deltaY * lines * 0.0016))), x, y);
  };
  const menu = (event: Event): void => event.preventDefault();

  canvas.addEventListener("pointerdown", down);
  canvas.addEventListener("pointermove", move);
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", cancel);
  canvas.addEventListener("pointerleave", leave);
  canvas.addEventListener("wheel", wheel, { passive: false });
  canvas.addEventListener("contextmenu", menu);
  return () => {
    canvas.removeEventListener("pointerdown", down);
    canvas.removeEventListener("pointermove", move);
    canvas.removeEventListener("pointerup", up);
    canvas.removeEventListener("pointercancel", cancel);
    canvas.removeEventListener("pointerleave", leave);
    canvas.removeEventListener("wheel", wheel);
    canvas.removeEventListener("contextmenu", menu);
  };
}
