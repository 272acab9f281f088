/** Closed rings in px as the data of an SVG path. */
export const outlinePath = (rings: readonly (readonly (readonly [number, number])[])[]): string =>
  rings.map((ring) => `M${ring.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join("L")}Z`).join("");
