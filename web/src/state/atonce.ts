import { options } from "preact";

/**
 * Makes a change and draws it before returning, so that what it opens can take the focus at once: letters typed on
 * right after a key are then written, and not taken for further keys.
 */
export function atOnce(change: () => void): void {
  const later = options.debounceRendering;
  options.debounceRendering = (draw) => draw();
  try {
    change();
  } finally {
    if (later) options.debounceRendering = later;
    else delete options.debounceRendering;
  }
}
