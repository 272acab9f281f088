import { useEffect, useState } from "preact/hooks";
import { api } from "../api";
import { intakeOpen, onStage, tellError } from "../state/desk";
import { mayManage } from "../state/role";
import { ACTIVE, followJobs, jobs } from "../state/jobs";
import type { Job } from "../types";

/** The queue: what is being taken in and read, with its stage and a picture that grows. */
export function Jobs() {
  useEffect(() => followJobs(), []);
  if (jobs.value.length === 0) return null;
  return (
    <section class="jobs" aria-label="Queue">
      <h2>Queue</h2>
      <ol>{jobs.value.slice(0, 30).map((job) => <JobLine key={job.id} job={job} />)}</ol>
    </section>
  );
}

function JobLine({ job }: { job: Job }) {
  const active = ACTIVE.has(job.state);
  const [spacing, setSpacing] = useState("");
  const name = job.name ?? job.source ?? (job.specimen === null ? job.id : `specimen ${job.specimen}`);
  const again = (): void => void api.jobAgain(job.id, spacing.trim() === "" ? null : spacing.trim()).catch(tellError);
  return (
    <li class={job.state}>
      {job.picture_url && (
        <span class="job-picture">
          <img src={job.picture_url} alt="" style={job.found_url === null && active ? { clipPath: `inset(0 0 ${Math.round(100 * (1 - Math.min(1, 3 * job.fraction)))}% 0)` } : {}} />
          {job.found_url && <img class="found" key={job.found_url} src={job.found_url} alt="What has been found so far" />}
        </span>
      )}
      <div>
        <p><b>{name}</b> <span class="soft">{job.kind === "intake" ? "taken in" : "read"}: {job.state}{active && job.stage ? `, ${job.stage}` : ""}</span></p>
        {active && <progress max={1} value={job.fraction} aria-label={`${name}: ${job.stage ?? job.state}`} />}
        {job.error && <p class="job-error">{job.error}</p>}
        {job.needs_spacing && mayManage.value && <label class="again">Spacing, mm<input name="spacing" inputMode="decimal" value={spacing} onInput={(e) => setSpacing(e.currentTarget.value)} /></label>}
        <p class="verbs">
          {active && mayManage.value && <button type="button" class="quiet" onClick={() => void api.cancel(job.id).catch(tellError)}>stop it</button>}
          {mayManage.value && ["failed", "cancelled", "stopped"].includes(job.state) && <button type="button" class="quiet" onClick={again}>begin it again</button>}
          {job.state === "done" && job.specimen !== null && (
            <button type="button" class="quiet" onClick={() => {
              intakeOpen.value = false;
              onStage.value = [String(job.specimen)];
            }}>open it</button>
          )}
        </p>
      </div>
    </li>
  );
}
