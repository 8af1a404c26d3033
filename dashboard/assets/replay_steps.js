/* One reading on or back: to the time of the next reading of any channel. The server tells the
 * times of some hundreds around a moment, so holding a key down asks it only now and then. */
(function () {
  "use strict";

  const EPSILON_S = 1e-10; // a tenth of a nanosecond: times are whole ones
  const replay = window.slewtraceReplay;
  const PATIENCE_MS = 3000; // an answer that takes longer is lost
  let asked = null, waiting = 0;

  const isAsked = (copy, t) => asked && asked.copy === copy && asked.t === t
    && performance.now() - asked.atMs < PATIENCE_MS;

  function next(direction) {
    const { times, t } = replay;
    const last = times.length - 1;
    if (last < 0 || t < times[0] - EPSILON_S || t > times[last] + EPSILON_S) return undefined;
    return direction > 0
      ? times.find((at) => at > t + EPSILON_S)
      : times.findLast((at) => at < t - EPSILON_S);
  }

  function step(direction) {
    if (!replay.copy) return;
    replay.play(false);
    const there = next(direction), { t, copy } = replay;
    if (there !== undefined) {
      replay.seek(there);
      return;
    }
    if (direction > 0 ? t >= copy.end_s : t <= copy.start_s) return;
    waiting = direction;
    if (isAsked(copy, t)) return;
    asked = { copy, t, atMs: performance.now() };
    replay.setProps("replay-asked-times", { data: t });
  }

  function tookTimes(told) {
    if (!told || !replay.copy || told.run !== replay.copy.run) return;
    const direction = waiting;
    asked = null;
    waiting = 0;
    replay.times = told.times_s;
    if (direction && told.asked_s === replay.t && next(direction) !== undefined) step(direction);
  }

  Object.assign(replay, { step, tookTimes });
})();
