import { POSES } from "./camera";
import { goToPose, parallel, setParallel, showWhole } from "../state/eye";
import { posed } from "../state/showing";
import { onStage } from "../state/desk";

const DIGITS = "1234567890";

/** The poses by name, along the head of the stage. */
export function Poses() {
  const simple = POSES.filter((p) => p.without === undefined);
  const rest = POSES.filter((p) => p.without !== undefined);
  const button = (pose: (typeof POSES)[number], text: string) => (
    <button type="button" key={pose.key} aria-pressed={posed.value === pose} aria-label={`${pose.name} view`}
      aria-keyshortcuts={DIGITS[POSES.indexOf(pose)]} onClick={() => goToPose(pose)}>{text}</button>
  );
  return (
    <div class="poses" role="toolbar" aria-label="Views">
      <span class="poses-set">{simple.map((p) => button(p, p.name))}</span>
      <span class="poses-set"><i aria-hidden="true">occlusal</i>{rest.slice(0, 2).map((p) => button(p, p.key))}</span>
      <span class="poses-set"><i aria-hidden="true">medial</i>{rest.slice(2).map((p) => button(p, p.key === "medial_left" ? "left" : "right"))}</span>
      <span class="poses-set last">
        <button type="button" onClick={showWhole} aria-keyshortcuts="w">whole</button>
        <button type="button" aria-pressed={!parallel.value} aria-keyshortcuts="o" disabled={onStage.value.length > 1 && parallel.value}
          onClick={() => setParallel(!parallel.value)}>perspective</button>
      </span>
    </div>
  );
}
