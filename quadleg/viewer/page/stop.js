"use strict";

// STOP: asks at once, and again until an answer is heard. Its figures and texts, and where the rest of STOP is, are in
// viewer/stop_settings.py; they come with the page, which has to report a stop that was not sent.

// `letGo` releases the pad, `send` returns whether a request went out, and `isAnswered(ms)` whether one was answered in
// the last `ms`.
function makeStop({ button, says, scene, letGo, send, isAnswered }) {
  const settings = JSON.parse(says.dataset.settings);
  let askedAt = null, sent = false, timer = null;

  function stop() {
    letGo();
    askedAt = performance.now();
    sent = false;
    clearInterval(timer);
    timer = setInterval(insist, settings.period_ms);
    insist();
  }

  function insist() {
    const since = performance.now() - askedAt;
    sent = send({ kind: "stop" }) || sent;
    if (sent && isAnswered(since)) {
      clearInterval(timer);
      askedAt = null;
    } else if (since > settings.given_up_after_ms) clearInterval(timer);
    show();
  }

  function show() {
    let text = "";
    if (askedAt !== null && !sent) text = settings.not_sent;
    else if (askedAt !== null && performance.now() - askedAt > settings.unanswered_after_ms) text = settings.not_answered;
    else if (askedAt !== null) text = settings.asked;
    if (says.textContent !== text) says.textContent = text; // a screen reader says it once
    says.hidden = !text;
  }

  function stopByKey(event) {
    if (event.key !== "Escape" || event.repeat) return;
    event.preventDefault();
    stop();
  }

  button.addEventListener("pointerdown", stop);
  button.addEventListener("click", (event) => event.detail || stop()); // by the keyboard
  window.addEventListener("keydown", stopByKey, true);
  scene.addEventListener("load", () => scene.contentDocument?.addEventListener("keydown", stopByKey, true));
  return { show, notConnected: settings.not_connected };
}
