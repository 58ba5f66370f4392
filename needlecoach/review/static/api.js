// All that a page asks of the server: every fault comes back as an Error whose message is a sentence to show.
//
//   const clip = await api.get("clip");
//   const { version } = await api.put("marks", { marks, version });
//   const result = await api.follow(await api.post("score", {}), (job) => show(job.what, job.share));
//
// An ApiError carries `status` (0: no server) and `answer`, all that the server said: after 409 the newer marks
// and their version are in it.

const GONE =
  "needlecoach no longer answers: it was ended, or this machine slept. Start the command again and open the new address; " +
  "what the page called saved is saved.";
const UNCLEAR = "The answer could not be understood; reload the page.";

export class ApiError extends Error {
  constructor(words, status, answer) {
    super(words);
    this.name = "ApiError";
    this.status = status;
    this.answer = answer;
  }
  get serverGone() {
    return this.status === 0;
  }
}

const listeners = new Set();

/** Call `hear(gone)` whenever the server stops answering (true) or answers again (false); returns a way to stop. */
export function onServer(hear) {
  listeners.add(hear);
  return () => listeners.delete(hear);
}

let gone = false;
function tell(now) {
  if (now === gone) return;
  gone = now;
  for (const hear of listeners) hear(gone);
}

/** One request below `api/`; `body` is sent as JSON. */
export async function request(method, path, body, { signal } = {}) {
  let response;
  try {
    response = await fetch(`api/${path}`, {
      method,
      signal,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch (problem) {
    if (problem.name === "AbortError") throw problem;
    tell(true);
    throw new ApiError(GONE, 0, null);
  }
  tell(false);
  let answer;
  try {
    answer = await response.json();
  } catch (problem) {
    if (problem.name === "AbortError") throw problem;
    throw new ApiError(UNCLEAR, response.status, null);
  }
  if (!response.ok) throw new ApiError(answer?.error ?? UNCLEAR, response.status, answer);
  return answer;
}

export const get = (path, options) => request("GET", path, undefined, options);
export const put = (path, body, options) => request("PUT", path, body, options);
export const post = (path, body = {}, options) => request("POST", path, body, options);

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

/**
 * Wait for a job and return its result; `progress({what, share})` is called as it goes on.
 * `started` is the answer {job} of the request that began it. `signal` ends the waiting, not the job.
 */
export async function follow(started, progress = () => {}, { signal, everyMs = 250 } = {}) {
  let misses = 0;
  for (;;) {
    signal?.throwIfAborted();
    let job;
    try {
      job = await get(`jobs/${encodeURIComponent(started.job)}`, { signal });
      misses = 0;
    } catch (problem) {
      // A busy machine may miss a beat; a server that is gone does not come back.
      if (!problem.serverGone || ++misses > 3) throw problem;
      await pause(everyMs);
      continue;
    }
    if (job.state === "failed") throw new ApiError(job.error, 200, job);
    progress(job);
    if (job.state === "done") return job.result;
    await pause(everyMs);
  }
}

/** Address of an exact frame, for an <img> or fetch. */
export const frameUrl = (number) => `api/frames/${number}`;
export const videoUrl = "api/video";
export const stripUrl = (version = "") => `api/strip.png${version ? `?v=${encodeURIComponent(version)}` : ""}`;
