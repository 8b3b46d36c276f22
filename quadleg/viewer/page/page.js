"use strict";

const SEND_PERIOD = 50, HELD_PERIOD = 100; // ms
const LOST_AFTER = 700; // ms without news: the figures are old
const HAND_RESTS = 800; // ms after a person's last movement of a slider until it follows again
const ANSWER_SHOWN = 12; // s
const KEY_SHARE = 0.5; // of full speed, by an arrow key
const UNITS = {
  height: ["mm", 1000, "of the hips"], x: ["mm", 1000, "forward"], y: ["mm", 1000, "to the left"],
  roll: ["°", 180 / Math.PI, "right side down"], pitch: ["°", 180 / Math.PI, "front down"],
  yaw: ["°", 180 / Math.PI, "to the left"],
};
const ORDER = ["height", "roll", "pitch", "yaw", "x", "y"];

const $ = (id) => document.getElementById(id);

function put(element, text) { // what stays is not drawn again
  if (element.textContent !== text) element.textContent = text;
}

const words = (name) => name.replaceAll("_", " ");

// The line to the server

let line = null, news = null, greeting = null, heardAt = performance.now(), refusedUntil = 0, closedBecause = "";
let showing = 0;

function connect() {
  line = new WebSocket(`ws://${location.host}/line`);
  line.onmessage = ({ data }) => {
    const said = JSON.parse(data);
    if (said.greeting) greet(said.greeting);
    else if (said.refused) refuse(said.refused);
    else {
      news = said;
      heardAt = performance.now();
      closedBecause = "";
      if (!showing) showing = requestAnimationFrame(show); // a slow browser draws the newest alone
    }
  };
  line.onclose = ({ reason }) => {
    letGo();
    if (reason) closedBecause = reason;
    setTimeout(connect, 1000);
  };
}

function isOpen() {
  return line && line.readyState === WebSocket.OPEN;
}

function send(wish) {
  if (isOpen()) line.send(JSON.stringify(wish));
  return isOpen();
}

function refuse(why) {
  warn("refused", `Refused: ${why}`);
  refusedUntil = performance.now() + 8000;
}

// Stop: stop.js, without which nothing below runs

function stopIsAnswered(since) {
  if (!news) return false;
  const now = performance.now(), answered = news.stop_answered;
  return (answered !== null && answered * 1000 + now - heardAt < since) || (isHeard() && news.state[0] === "fault");
}

const stop = makeStop({
  button: $("stop"), says: $("stop_says"), scene: $("scene"), letGo, send, isAnswered: stopIsAnswered,
});

// Power

function ask(open) {
  $("question").hidden = !open;
  if (open) $("placed").focus();
}

$("stand").addEventListener("click", () => (news.state[0] === "off" ? ask(true) : send({ kind: "stand" })));
$("placed").addEventListener("click", () => {
  send({ kind: "stand", legs_placed: true });
  ask(false);
});
$("not_placed").addEventListener("click", () => ask(false));
$("sit").addEventListener("click", () => send({ kind: "sit" }));
$("reset").addEventListener("click", () => send({ kind: "reset" }));
$("gait").addEventListener("change", () => send({ kind: "gait", gait: $("gait").value }));

// The pad: held by a pointer, or by arrow keys

const pad = $("pad"), arrows = new Set();
let across = 0, ahead = 0, shifted = false, sideways = false, heldTimer = null, sentAt = 0;

function walk() {
  const aside = sideways !== shifted;
  sentAt = performance.now();
  send({ kind: "walk", forward: ahead, left: aside ? -across : 0, turn_left: aside ? 0 : -across });
}

function hold(x, y) {
  [across, ahead] = [x, y].map((share) => Math.round(100 * Math.max(-1, Math.min(1, share))) / 100);
  showPad();
  if (!heldTimer) heldTimer = setInterval(walk, HELD_PERIOD);
  else if (performance.now() - sentAt < SEND_PERIOD) return;
  walk();
}

function letGo() {
  if (heldTimer) {
    clearInterval(heldTimer);
    heldTimer = null;
    send({ kind: "halt" });
  }
  across = ahead = 0;
  arrows.clear();
  showPad();
}

function showPad() {
  const aside = sideways !== shifted, reach = 100 * (1 - 38 / pad.clientWidth) / 2;
  $("knob").style.left = `${50 + reach * across}%`;
  $("knob").style.top = `${50 - reach * ahead}%`;
  pad.classList.toggle("held", heldTimer !== null);
  pad.querySelector(".left").textContent = aside ? "left" : "turn left";
  pad.querySelector(".right").textContent = aside ? "right" : "turn right";
  $("sideways").setAttribute("aria-pressed", sideways);
  $("sideways").textContent = aside ? "Left and right: sideways" : "Left and right: turn";
}

function followPointer(event) {
  const box = pad.getBoundingClientRect(), half = (box.width - 38) / 2;
  hold((event.clientX - box.left - box.width / 2) / half, (box.top + box.height / 2 - event.clientY) / half);
}

pad.addEventListener("pointerdown", (event) => {
  if ($("walk").disabled || event.button) return;
  pad.setPointerCapture(event.pointerId);
  followPointer(event);
});
pad.addEventListener("pointermove", (event) => pad.hasPointerCapture(event.pointerId) && followPointer(event));
for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) pad.addEventListener(end, letGo);
pad.addEventListener("blur", letGo);
pad.addEventListener("contextmenu", (event) => event.preventDefault());
window.addEventListener("blur", letGo);
window.addEventListener("pagehide", letGo);
document.addEventListener("visibilitychange", () => document.hidden && letGo());

function followArrows() {
  const has = (key) => (arrows.has(key) ? KEY_SHARE : 0);
  if (arrows.size) hold(has("ArrowRight") - has("ArrowLeft"), has("ArrowUp") - has("ArrowDown"));
  else letGo();
}

pad.addEventListener("keydown", (event) => {
  if (!event.key.startsWith("Arrow") || $("walk").disabled) return;
  event.preventDefault();
  arrows.add(event.key);
  if (!event.repeat) followArrows();
});
pad.addEventListener("keyup", (event) => {
  if (arrows.delete(event.key)) followArrows();
});
for (const kind of ["keydown", "keyup"])
  window.addEventListener(kind, (event) => {
    if (event.key !== "Shift") return;
    shifted = kind === "keydown";
    showPad();
  });
$("sideways").addEventListener("click", () => {
  sideways = !sideways;
  showPad();
});

// Sliders

const sliders = {};

function makeSliders() {
  $("sliders").replaceChildren();
  for (const axis of ORDER) {
    const [unit, scale, means] = UNITS[axis], [low, high] = greeting.ranges[axis].map((end) => end * scale);
    const label = document.createElement("label"), input = document.createElement("input");
    const row = document.createElement("div"), output = document.createElement("output");
    row.className = "slider";
    label.htmlFor = input.id = output.htmlFor = `slider_${axis}`;
    label.append(axis);
    label.title = `positive: ${means}`;
    label.append(Object.assign(document.createElement("small"), { textContent: means }));
    Object.assign(input, { type: "range", min: Math.round(low), max: Math.round(high), step: unit === "mm" ? 1 : 0.5 });
    const slider = { input, output, unit, scale, handAt: -Infinity, down: false, timer: null, sentAt: 0 };
    input.value = greeting.standing[axis] * scale;
    input.addEventListener("input", () => move(axis));
    input.addEventListener("pointerdown", () => (slider.down = true));
    row.append(label, input, output);
    $("sliders").append(row);
    sliders[axis] = slider;
    showValue(slider);
  }
}

for (const end of ["pointerup", "pointercancel"])
  window.addEventListener(end, () => Object.values(sliders).forEach((slider) => (slider.down = false)), true);

function showValue(slider) {
  put(slider.output, `${Number(slider.input.value).toFixed(slider.unit === "mm" ? 0 : 1)} ${slider.unit}`);
}

function move(axis) {
  const slider = sliders[axis], now = performance.now();
  slider.handAt = now;
  showValue(slider);
  if (slider.timer) return; // it will say what is newest then
  const say = () => {
    slider.timer = null;
    slider.sentAt = performance.now();
    send({ kind: "pose", axis, value: Number((slider.input.value / slider.scale).toFixed(6)) });
  };
  const wait = slider.sentAt + SEND_PERIOD - now;
  if (wait > 0) slider.timer = setTimeout(say, wait);
  else say();
}

$("level").addEventListener("click", () => send({ kind: "level" }));

function followAsked() {
  const now = performance.now();
  for (const axis of ORDER) {
    const slider = sliders[axis];
    if (slider.down || now - slider.handAt < HAND_RESTS) continue;
    slider.input.value = (news.asked || greeting.standing)[axis] * slider.scale;
    showValue(slider);
  }
}

// Pictures

function svg(kind, attributes, text) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text) element.textContent = text;
  return element;
}

// In the plan x is up and y to the left.
const points = (places) => places.map(([x, y]) => `${(-y).toFixed(4)},${(-x).toFixed(4)}`).join(" ");

function drawAbove(plan) {
  const drawn = [], colours = greeting.colours;
  for (const [x, y, leg] of plan.falls)
    drawn.push(svg("circle", { cx: -y, cy: -x, r: 0.005, fill: colours[greeting.legs[leg]], opacity: 0.3 }));
  drawn.push(svg("polyline", { points: points(plan.path), fill: "none", stroke: colours.body, "stroke-width": 0.003,
    "stroke-dasharray": "0.008 0.006" }));
  drawn.push(svg("polygon", { points: points(plan.polygon), fill: "#dfe7ee", stroke: "#34495e", "stroke-width": 0.0025 }));
  drawn.push(svg("polygon", { points: points(plan.outline), fill: colours.body, opacity: 0.45 }));
  const [a, b] = plan.outline; // the front edge
  drawn.push(svg("polyline", { points: points([a, b]), fill: "none", stroke: "#34495e", "stroke-width": 0.006 }));
  plan.feet.forEach(([x, y], i) => {
    const colour = colours[greeting.legs[i]], down = plan.down[i];
    drawn.push(svg("circle", { cx: -y, cy: -x, r: 0.013, fill: down ? colour : "#fff", stroke: colour,
      "stroke-width": 0.004 }));
  });
  const [x, y] = plan.centre;
  drawn.push(svg("path", { d: `M${-y - 0.011},${-x}h0.022M${-y},${-x - 0.011}v0.022`, stroke: "#101820",
    "stroke-width": 0.004 }));
  $("above").replaceChildren(...drawn);
}

function drawLoads(plan) {
  greeting.legs.forEach((leg, i) => {
    const row = $("loads").children[i], load = plan && plan.loads ? plan.loads[i] : null;
    row.querySelector("i").style.width = load === null ? 0 : `${Math.min(100, (100 * load) / greeting.weight)}%`;
    const says = load ? `${load.toFixed(1)} N` : load === 0 && plan.powered ? "in the air" : "–";
    put(row.querySelector("output"), says);
  });
}

function makeLoads() {
  $("loads").replaceChildren(...greeting.legs.map((leg) => {
    const row = Object.assign(document.createElement("div"), { className: "load" });
    const name = Object.assign(document.createElement("span"), { textContent: words(leg) });
    const bar = document.createElement("div"), fill = document.createElement("i");
    fill.style.background = greeting.colours[leg];
    bar.append(fill);
    row.append(name, bar, document.createElement("output"));
    return row;
  }));
}

function drawResting() {
  $("resting").replaceChildren(...greeting.resting.map((view) => {
    const places = Object.values(view.legs).flat().concat(view.body);
    const xs = places.map((p) => p[0]), top = Math.max(...places.map((p) => p[1]));
    const left = Math.min(...xs) - 0.02, width = Math.max(...xs) + 0.02 - left;
    const image = svg("svg", { viewBox: `${left} ${-top - 0.015} ${width} ${top + 0.025}` });
    const [[x0, z0], [x1, z1]] = view.body;
    image.append(svg("rect", { x: x0, y: -z1, width: x1 - x0, height: z1 - z0, fill: greeting.colours.body, opacity: 0.4 }));
    image.append(svg("line", { x1: left, x2: left + width, y1: 0, y2: 0, stroke: "#22303d", "stroke-width": 0.002 }));
    for (const [leg, path] of Object.entries(view.legs))
      image.append(svg("polyline", { points: path.map(([x, z]) => `${x},${-z}`).join(" "), fill: "none",
        stroke: greeting.colours[leg], "stroke-width": 0.008, "stroke-linecap": "round", "stroke-linejoin": "round" }));
    const figure = document.createElement("figure");
    figure.append(image, Object.assign(document.createElement("figcaption"), { textContent: view.title }));
    return figure;
  }));
}

// What is shown

function greet(said) {
  const first = greeting === null;
  greeting = said;
  $("robot").textContent = said.robot;
  document.title = `quadleg: ${said.robot}`;
  makeSliders();
  makeLoads();
  drawResting();
  if (first) $("scene").src = `/scene?websocket=ws://${location.host}/scene`;
}

function isHeard() {
  return news !== null && performance.now() - heardAt < LOST_AFTER;
}

function show() {
  showing = 0;
  if (!greeting) return;
  const [state, why] = news.state, [servos, servosWhy] = news.servos;
  const heard = !("joint_watchdog" in news.silent), up = heard && state === "active";
  document.body.className = `state-${state}`;
  showFailures();
  put($("state"), state || "not heard");
  put($("why"), servos && servos !== "following" ? `${why}. The servos are ${servos}: ${servosWhy}` : why);
  showFigures();
  warn("trouble", news.trouble);
  warn("obstacle", news.obstacle);
  warn("body_says", news.body_says);
  put($("next"), heard ? news.next : "");
  choose("stand", state === "off" || state === "hold" || state === "lowering", state === "off" || state === "hold");
  choose("sit", ["rising", "active", "hold"].includes(state), false);
  choose("reset", state === "fault", state === "fault");
  put($("stand"), state === "hold" ? "Go on standing" : "Stand up");
  if (state !== "off") ask(false);
  if (!up && heldTimer) letGo();
  $("walk").disabled = !up;
  $("body").disabled = !up && !(heard && state === "hold"); // a pose asked for in a hold is gone to after it
  showGait();
  followAsked();
  if (performance.now() > refusedUntil) warn("refused", "");
  warn("answer", news.answer && news.answer[1] < ANSWER_SHOWN && news.answer[0]);
  showPlan(news.plan);
  showSilence();
}

function showFailures() {
  const drawn = news.failures.map((failure) => {
    const row = document.createElement("p");
    row.className = failure.loud ? "failure loud" : "failure warning";
    row.dataset.code = failure.code;
    row.append(Object.assign(document.createElement("strong"), { textContent: failure.what }));
    row.append(` ${failure.does} ${failure.do}`);
    return row;
  });
  const text = drawn.map((row) => `${row.className}: ${row.textContent}`).join("\n");
  if ($("failures").dataset.drawn === text) return; // a screen reader says it once
  $("failures").dataset.drawn = text;
  $("failures").replaceChildren(...drawn);
}

function showFigures() {
  const [middle, slowest] = news.latency, supply = news.supply;
  const source = { measured: "measured", modelled: "modelled", elsewhere: "said by another node" };
  put($("supply"), supply
    ? [supply[0] !== null && `${supply[0].toFixed(1)} V`, supply[1] !== null && `${supply[1].toFixed(1)} A`]
        .filter(Boolean).join(" · ") + ` (${source[supply[2]] || "?"})`
    : "not heard");
  put($("latency"), middle ? `${middle} ms · worst 1 %: ${slowest} ms` : "no frame yet");
  const [level, joint, celsius] = news.heat || [];
  put($("heat"), level ? `${words(level)}: ${words(joint)}, about ${celsius} °C (modelled)` : "not heard");
  put($("angles"), news.angles || "not heard");
}

function warn(id, text) {
  put($(id), text || "");
  $(id).hidden = !text;
}

function choose(id, possible, wanted) {
  $(id).disabled = !possible;
  $(id).classList.toggle("do", wanted);
}

function showGait() {
  const gaits = news.gait ? news.gait[1] : [], select = $("gait");
  if (gaits.join() !== [...select.options].map((option) => option.value).join())
    select.replaceChildren(...gaits.map((name) => new Option(words(name), name)));
  if (news.gait && document.activeElement !== select) select.value = news.gait[0];
  const [x, y, turn] = (news.fastest || []).map((speed) => speed.toFixed(2));
  const full = news.fastest ? ` The pad's full way: ${x} m/s forward, ${y} m/s sideways, ${turn} rad/s.` : "";
  const says = news.gait_says || "gait is not heard"; // with what the limits clip
  put($("speed"), `${says[0].toUpperCase()}${says.slice(1)}.${full}`);
}

function showPlan(plan) {
  $("above").classList.toggle("old", !plan);
  drawLoads(plan);
  if (!plan) {
    put($("load_source"), "Nothing is heard of the joints.");
    put($("margin"), "");
    return;
  }
  drawAbove(plan);
  put($("load_source"), !plan.loads ? "Loads of the feet are not heard."
    : `Load of each foot, ${plan.load_source}. A full bar: the whole weight, ${greeting.weight.toFixed(1)} N.`);
  const margin = plan.margin === null ? "" : `Centre of mass (+) ${Math.abs(1000 * plan.margin).toFixed(0)} mm `
    + (plan.margin < 0 ? "outside" : "inside") + " the feet on the ground. ";
  put($("margin"), margin + (plan.odom ? "The dashed way is by odometry." : "The dashed way is as planned."));
}

function showSilence() {
  const age = (performance.now() - heardAt) / 1000;
  let says = "";
  if (!isHeard()) {
    const why = closedBecause ? ` (closed: ${closedBecause})` : "";
    says = news === null && age < 2 ? "" : `NOT CONNECTED: nothing from the viewer for ${age.toFixed(0)} s${why}. `
      + stop.notConnected;
  } else {
    const silent = Object.entries(news.silent).map(([node, seconds]) => `${node} for ${seconds.toFixed(0)} s`);
    if (silent.length) says = `NOT HEARD: ${silent.join(", ")}. What it said last is old; the servos may be powered. `
      + "If it does not come back, look at the terminal of quadleg run; the switch in the servo supply ends all.";
  }
  put($("silent"), says);
  $("silent").hidden = !says;
  const lost = !isHeard(), silent = (node) => lost || (news !== null && node in news.silent);
  document.querySelector(".state").classList.toggle("old", silent("joint_watchdog"));
  document.querySelector(".figures").classList.toggle("old", silent("servo_output"));
  $("scene").classList.toggle("old", silent("servo_output"));
  document.querySelector("main").classList.toggle("old", lost);
  if (lost && heldTimer) letGo();
}

setInterval(() => {
  showSilence();
  stop.show();
}, 200);
connect();
