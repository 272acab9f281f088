export function LeafPlace() {
  return null;
}
