import { lettersOn, SHEET } from "../state/keys";
import { keysOpen } from "../state/keysheet";
import { useEffect, useRef } from "preact/hooks";

/** The sheet of keys. */
export function KeysSheet() {
  const sheet = useRef<HTMLDialogElement>(null);
  const open = keysOpen.value;
  useEffect(() => {
    const it = sheet.current;
    if (open && it && !it.open) it.showModal();
    if (!open && it?.open) it.close();
  }, [open]);
  return (
    <dialog ref={sheet} class="keys" aria-labelledby="keys-head" onClose={() => (keysOpen.value = false)}>
      <h2 id="keys-head">Keys</h2>
      <div class="keys-columns">
        {SHEET.map(([heading, keys]) => (
          <section key={heading}><h3>{heading}</h3><dl>{keys.map(([key, said]) => <div key={key}><dt>{key.split(" ").map((k) => <kbd key={k}>{k}</kbd>)}</dt><dd>{said}</dd></div>)}</dl></section>
        ))}
      </div>
      <label class="check"><input type="checkbox" checked={lettersOn.value} onChange={(e) => (lettersOn.value = e.currentTarget.checked)} /> single letters and digits act as keys</label>
      <div class="verbs"><button type="button" onClick={() => (keysOpen.value = false)}>Close</button></div>
    </dialog>
  );
}
