"use strict";

// STOP: asked for at once, and again until something is heard of it. Its figures and texts are those of
// viewer/page_stop.py; they come with the page, so that it can tell of a stop before anything is heard.

// `letGo` takes the hand off the pad, `send` says whether a request went out, and `isAnswered` whether one was answered
// within so many ms.
function makeStop({ button, says, scene, letGo, send, isAnswered }) {
  const rules = JSON.parse(says.dataset.rules);
  let askedAt = null, sent = false, timer = null;

  function stop() {
    letGo();
    askedAt = performance.now();
    sent = false;
    clearInterval(timer);
    timer = setInterval(insist, rules.period_ms);
    insist();
  }

  function insist() {
    const since = performance.now() - askedAt;
    sent = send({ kind: "stop" }) || sent;
    if (sent && isAnswered(since)) {
      clearInterval(timer);
      askedAt = null;
    } else if (since > rules.given_up_after_ms) clearInterval(timer);
    show();
  }

  function show() {
    let text = "";
    if (askedAt !== null && !sent) text = rules.not_sent;
    else if (askedAt !== null && performance.now() - askedAt > rules.unanswered_after_ms) text = rules.not_answered;
    else if (askedAt !== null) text = rules.asked;
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
  return { show };
}
