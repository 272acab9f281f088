export function MeasureLeaf() {
  return null;
}
