export function RowsPlace() {
  return <section class="rows" aria-label="Rows" data-place="rows" />;
}
