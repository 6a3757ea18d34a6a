// A question that is asked at once, and again with the newest terms as soon as the answer is there.

/** Wrap `run` so that it never runs twice at a time and the last value always gets its turn. */
export function latest(run) {
  let running = false;
  let waiting = null;
  return async function next(value) {
    if (running) {
      waiting = { value };
      return;
    }
    running = true;
    try {
      await run(value);
    } finally {
      running = false;
    }
    if (waiting) {
      const { value: newest } = waiting;
      waiting = null;
      await next(newest);
    }
  };
}
