import type { Account } from "../types";

/** A dental formula set as it is printed: upper over lower for each class. */
export function Formula({ formula }: { formula: Account["formula"] }) {
  if (formula.text === null) return <p class="formula none">No tooth stands in place, so there is no formula.</p>;
  const cells = formula.text.split(" ").map((cell) => /^(d?[A-Za-z]+)(\d+)\/(\d+)$/.exec(cell));
  return (
    <p class="formula" role="img" aria-label={`Dental formula ${formula.text}`} title={formula.by_generation ?? ""}>
      {cells.map((cell) =>
        cell ? (
          <span class="cell" key={cell[0]} aria-hidden="true"><b>{cell[1]}</b><span class="fraction"><span>{cell[2]}</span><span>{cell[3]}</span></span></span>
        ) : null,
      )}
      {cells.some((c) => c === null) && <span aria-hidden="true">{formula.text}</span>}
    </p>
  );
}
