// The page of a rig: its news come in and are shown, its commands go out.
// Text goes in as text and never as markup, so that no name can do harm.

const TOKEN = "frameside-token";
/** Without news for so long, in ms, the link is taken for lost. */
const SILENT = 8000;
/** What was done is said for so long, in ms; the frames show it too. */
const DONE = 30_000;
/** So soon after a press, in ms, comes only the same wet finger again, when "Cover" is "Uncover" already. */
const SAME_PRESS = 700;
/** Why the link is closed when it is not for being silent. */
const NEW_TOKEN = "another token";
/** What can be done in each state; the order on the page does not change, lest a finger meets another button. */
const CAN = {
  empty: ["expose"],
  in: ["expose", "note"],
  covered: ["uncover", "bring-in", "retarget", "note"],
  exposing: ["cover", "bring-in", "retarget", "note"],
  due: ["cover", "bring-in", "retarget", "note"],
};
/** What of a button opens a dialog, which asks before it does. */
const OPENS = {
  expose: openExpose,
  "bring-in": openSure,
  retarget: openRetarget,
  note: (frame) => openNote(frame.print, `Note on ${frame.name}`, frame.state === "in"),
};
/** A number as it is typed, its decimals behind a point or a comma. */
const NUMBER = /^(\d+[.,]?\d*|[.,]\d+)$/;
/** One thousand, or one? */
const THOUSANDS = /^[1-9]\d{0,2}(,\d{3})+$/;
/** Sixths of a stop as they are read. */
const SIXTHS = ["", "1/6", "1/3", "1/2", "2/3", "5/6"];

const $ = (id) => document.getElementById(id);
const news = { rig: null, curves: { curves: {}, light: [] }, shelf: { recipes: [], sources: [], unjudged: [] } };
/** The frames on the page, by name. */
const cards = new Map();
/** When each frame was last covered, uncovered or hushed here. */
const pressed = new Map();
/** The dialog that is open last, what keeps what it shows up to date, and when it came or went. */
let opening = null;
let follow = () => {};
let turned = 0;
/** What was seen of each print since its curve was read: seconds and J/m². */
let since = {};
/** When the last news came, and when the link was made. */
let heard = Date.now();
let begun = heard;
let listening = new AbortController();
/** By how much the rig's clock was ahead of this phone's in the last news, in milliseconds. */
const ahead = [];
/** Lets this phone command the rig; null without it. */
let token = null;

// --- the token -------------------------------------------------------------

/** The token of the link that led here, else the one kept on this phone. */
function takeToken() {
  const given = /^#token=([\w-]+)$/.exec(location.hash);
  if (given) {
    // Not to be seen over a shoulder, nor kept with the page's address.
    history.replaceState(null, "", location.pathname);
    return keep(given[1]);
  }
  try {
    token = localStorage.getItem(TOKEN);
  } catch {
    // A browser that keeps nothing.
  }
}

function keep(text) {
  token = text;
  try {
    if (text) localStorage.setItem(TOKEN, text);
    else localStorage.removeItem(TOKEN);
  } catch {
    // It is then known until the page is closed.
  }
}

const credentials = () => (token ? { Authorization: `Bearer ${token}` } : {});

function showRights() {
  write($("may"), token ? "This phone may command the rig." : "This phone only looks on. With the token it commands the rig.");
  write($("give-token"), token ? "Change the token" : "Enter the token");
}

function askForToken(why) {
  wrong($("token"), why);
  $("typed").value = "";
  $("forget").hidden = !token;
  if ($("token").open) return;
  $("token").showModal();
  turned = Date.now();
}

// --- news ------------------------------------------------------------------

/** Listens for ever, and again whenever the link breaks or another token is given. */
async function listen() {
  for (let pause = 1; ; ) {
    listening = new AbortController();
    begun = Date.now();
    try {
      const response = await fetch("events", { headers: credentials(), signal: listening.signal, cache: "no-store" });
      if (response.ok) {
        for await (const [name, data] of events(response.body)) {
          pause = 1;
          take(name, data);
        }
        showAway();
      } else {
        const { error } = await response.json();
        showAway(error);
        if (response.status === 401) await anotherToken(error);
      }
    } catch {
      if (listening.signal.reason !== NEW_TOKEN) showAway();
    }
    if (listening.signal.reason !== NEW_TOKEN) {
      await new Promise((go) => setTimeout(go, 1000 * pause));
      pause = Math.min(2 * pause, 10);
    }
  }
}

/** Without a token that counts there is nothing to ask for again. */
async function anotherToken(why) {
  askForToken(why);
  begun = Infinity;
  await new Promise((go) => listening.signal.addEventListener("abort", go));
}

/** Server-sent events out of a stream, as names and data. EventSource cannot send the token. */
async function* events(stream) {
  const reader = stream.pipeThrough(new TextDecoderStream()).getReader();
  for (let text = ""; ; ) {
    const { value, done } = await reader.read();
    if (done) return;
    const parts = (text + value).split("\n\n");
    text = parts.pop();
    for (const part of parts) {
      const [, name, data] = /^event: (\w+)\ndata: (.*)$/s.exec(part);
      yield [name, JSON.parse(data)];
    }
  }
}

function take(name, data) {
  heard = Date.now();
  if (name === "rig" && data.away) return showAway(data.away);
  news[name] = data;
  if (name === "curves") {
    news.curves.curves ??= {};
    news.curves.light ??= [];
    since = {};
    showLight();
  } else if (name === "shelf") {
    showUnjudged();
  } else {
    $("away").hidden = true;
    ahead.push(data.now_ms - Date.now());
    if (ahead.length > 10) ahead.shift();
    remember();
    showRig();
  }
}

/** Goes on with each curve from where the record ends. */
function remember() {
  for (const frame of news.rig.frames) {
    const curve = news.curves.curves[frame.print];
    if (!curve || frame.state === "in") continue;
    const seconds = (news.rig.now_ms - curve.began_ms) / 1000;
    (since[frame.print] ??= []).push([seconds, frame.dose_j_m2]);
  }
}

function showAway(why) {
  const clock = new Date(heard).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
  const old = news.rig ? ` What is shown is from ${clock}.` : "";
  write($("away"), `${sentence(why ?? "no link to the rig")}${old}`);
  $("away").hidden = false;
}

// --- what is shown ---------------------------------------------------------

/** Only what differs: a reader of the screen would be told of the rest again. A number stays with its unit. */
function write(element, text) {
  const whole = text.replace(/(\d) (?=(?:min|s|h|kJ|W|%)(?!\w))/g, "$1\u00a0");
  if (element.textContent !== whole) element.textContent = whole;
}

const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1) + (text.endsWith(".") ? "" : ".");
/** Three figures or so, as the command line writes them. */
const brief = (value) => value.toFixed(value < 10 ? 2 : value < 100 ? 1 : 0);
const kilo = (j_m2) => `${brief(j_m2 / 1000)} kJ/m²`;
/** To three figures, however small. */
const figure = (value) => (value < 1000 ? value.toPrecision(3) : value.toFixed(0));
const frameNamed = (name) => news.rig.frames.find(({ frame }) => frame === name);

function element(name, attributes = {}) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function lines(parent, texts) {
  while (parent.children.length > texts.length) parent.lastElementChild.remove();
  while (parent.children.length < texts.length) parent.append(document.createElement(parent.matches("ul") ? "li" : "p"));
  texts.forEach((text, at) => write(parent.children[at], text));
}

function showRig() {
  const { rig, sensors, frames } = news.rig;
  const troubles = [...(news.rig.troubles ?? []), news.curves.trouble, news.shelf.trouble].filter(Boolean);
  write($("rig"), rig);
  document.title = rig;
  lines($("light"), sensors.map((sensor) => sentence(sensor.says)));
  lines($("troubles"), troubles.map(sentence));
  $("troubles").hidden = !troubles.length;
  const calling = frames.filter((frame) => frame.waiting);
  lines($("who-calls"), calling.map(callOf).map(sentence));
  $("calls").hidden = !calling.length;
  for (const frame of frames) showFrame(frame);
  for (const [name, gone] of cards) {
    if (frames.some((frame) => frame.frame === name)) continue;
    gone.remove();
    cards.delete(name);
  }
  follow();
}

/** Why a frame calls; the same words for as long as it does. */
function callOf({ name, state, next_band }) {
  if (state === "due") return `${name} is due: bring it in covered`;
  if (state === "exposing" && next_band) return `${name}: lay card over one more band`;
  return `${name} is ${state}, and calls`;
}

function card(name) {
  if (!cards.has(name)) {
    const made = $("frame").content.firstElementChild.cloneNode(true);
    made.dataset.frame = name;
    for (const button of made.querySelectorAll("button")) {
      button.addEventListener("click", () => press(button, name));
    }
    $("frames").append(made);
    cards.set(name, made);
  }
  return cards.get(name);
}

function showFrame(frame) {
  const shown = card(frame.frame);
  const part = (name) => shown.querySelector(name);
  shown.classList.toggle("due", frame.state === "due");
  write(part(".name"), frame.name);
  write(part(".state"), frame.state);
  write(part(".next"), frame.says && frame.says !== frame.state ? sentence(frame.says) : "");
  const percent = frame.fraction === null ? "" : `, ${Math.round(100 * frame.fraction)} %`;
  write(part(".dose"), frame.dose ? `${frame.dose}${percent}` : "");
  const bar = part("progress");
  bar.hidden = !frame.dose;
  bar.value = Math.min(frame.fraction ?? 0, 1);
  bar.setAttribute("aria-label", `dose of ${frame.name} over its target`);
  // The doses of a strip stay as they are.
  const isStrip = frame.next_band || news.curves.curves[frame.print]?.strip;
  const can = CAN[frame.state].filter((what) => what !== "retarget" || !isStrip);
  if (frame.waiting) can.push("hush");
  for (const button of shown.querySelectorAll("button")) {
    button.hidden = !can.includes(button.dataset.do);
    button.setAttribute("aria-label", `${button.textContent} ${frame.name}`);
  }
  part("[data-do=bring-in]").classList.toggle("plain", frame.state !== "due");
  part("[data-do=cover]").classList.toggle("plain", frame.state === "due");
  drawCurve(part(".chart"), frame);
}

function showUnjudged() {
  const { unjudged = [] } = news.shelf;
  $("waiting").hidden = !unjudged.length;
  $("unjudged").replaceChildren(
    ...unjudged.map((print) => {
      const made = $("print").content.firstElementChild.cloneNode(true);
      const [title, facts] = made.children;
      write(title, print.print);
      write(facts, factsOf(print));
      const button = (name, does) => {
        const found = made.querySelector(`[data-do=${name}]`);
        found.setAttribute("aria-label", `${found.textContent}: ${print.print}`);
        found.addEventListener("click", does);
      };
      button("judge", () => openJudge(print));
      button("note", () => openNote(print.print, `Note on ${print.print}`, true));
      return made;
    }),
  );
}

function factsOf(print) {
  const parts = [print.frame, print.recipe, print.negative, print.dose, print.brought_in && `in since ${print.brought_in}`];
  return sentence(parts.filter(Boolean).join(", "));
}

// --- curves ----------------------------------------------------------------

function drawCurve(box, frame) {
  const curve = news.curves.curves[frame.print];
  const read = curve?.points ?? [];
  const from = read.at(-1)?.[0] ?? -1;
  const points = [...read, ...(since[frame.print] ?? []).filter(([seconds]) => seconds > from)];
  box.hidden = points.length < 2 || frame.state === "empty";
  if (box.hidden) return;
  const end = points.at(-1)[0];
  // While it counts, as far as it will go; then as far as it went.
  const ahead = frame.state === "exposing" ? Math.min(frame.remaining_s ?? 0, 4 * Math.max(end, 60)) : 0;
  const most = points.reduce((top, [, dose]) => Math.max(top, dose), frame.target_j_m2 ?? 0);
  draw(box, {
    points: points.map(([seconds, dose]) => [seconds / 60, dose / 1000]),
    gaps: (curve.gaps ?? []).map((gap) => gap.map((seconds) => Math.max(seconds, 0) / 60)),
    across: [0, Math.max(end + ahead, 1) / 60],
    top: (1.25 * most) / 1000,
    line: frame.target_j_m2 / 1000,
    unit: "kJ/m²",
    ends: [curve.began, `${((end + ahead) / 60).toFixed(end + ahead < 600 ? 1 : 0)} min`],
    says: `The dose of ${frame.name} since ${curve.began}: ${frame.dose}${curve.gaps?.length ? "; its light was not seen all the time" : ""}`,
  });
}

function showLight() {
  const points = news.curves.light.map(([seconds, light]) => [seconds / 60, light]);
  $("last-hour").hidden = points.length < 2;
  if (points.length < 2) return;
  const most = points.reduce((top, [, light]) => Math.max(top, light), 0);
  const long = Math.max(-points[0][0], 1);
  const unit = news.rig?.sensors[0]?.flags.includes("uncalibrated") ? "its unit" : "W/m²";
  draw($("last-hour").querySelector(".chart"), {
    points,
    across: [-long, 0],
    top: 1.25 * (most || 1),
    line: most,
    unit,
    ends: [`${Math.round(long)} min ago`, "now"],
    says: `The light of the last ${Math.round(long)} minutes, up to ${brief(most)} ${unit}`,
  });
}

/** A curve on axes with their units, as wide as its box, so that its text is as large as other text. */
function draw(box, { points, gaps = [], across: [first, last], top, line, unit, ends, says }) {
  const width = Math.max(box.clientWidth, 200);
  const [height, gutter, foot] = [150, 52, 24];
  const svg = (name, attributes, text = "") => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    made.textContent = text;
    return made;
  };
  const x = (value) => (gutter + ((value - first) / (last - first)) * (width - gutter - 4)).toFixed(1);
  const y = (value) => ((1 - value / top) * (height - foot)).toFixed(1);
  const label = (at, up, anchor, text) => svg("text", { x: at, y: up, "text-anchor": anchor }, text);
  const unseen = gaps.map(([from, to]) => [x(from), x(Math.min(to, last))].map(Number));
  const shades = unseen.map(([left, right]) =>
    svg("rect", { class: "unseen", x: left, y: 20, width: Math.max(right - left, 2), height: height - foot - 20 }),
  );
  // One says what they all are: the widest.
  const [widest] = [...unseen].sort((a, b) => b[1] - b[0] - (a[1] - a[0]));
  const middle = widest && Math.min(Math.max((widest[0] + widest[1]) / 2, gutter + 38), width - 38);
  if (widest) shades.push(label(middle, 14, "middle", "not seen"));
  const picture = svg("svg", { viewBox: `0 0 ${width} ${height}`, height, role: "img", "aria-label": says });
  picture.append(
    ...shades,
    svg("path", { class: "axis", d: `M${gutter} 0V${height - foot}H${width}` }),
    svg("path", { class: "target", d: `M${gutter} ${y(line)}H${width}` }),
    svg("path", { class: "line", d: `M${points.map(([at, value]) => `${x(at)} ${y(value)}`).join("L")}` }),
    label(0, 14, "start", unit),
    label(gutter - 6, Number(y(line)) + 5, "end", brief(line)),
    label(gutter - 6, height - foot, "end", "0"),
    label(gutter, height - 5, "start", ends[0]),
    label(width, height - 5, "end", ends[1]),
  );
  box.replaceChildren(picture);
}

// --- commands --------------------------------------------------------------

/** Names a command, and says when it was issued by the rig's own clock: a phone's may be wrong. */
function issued() {
  // News come late and never early: the most is the nearest.
  const now = Date.now() + (ahead.length ? Math.max(...ahead) : 0);
  const id = `page-${now}-${Math.random().toString(36).slice(2)}`;
  return { id, issued_at: new Date(now).toISOString() };
}

/** Asks the rig. What is wrong goes to `tell`; gives the answer if it was done. */
async function ask(request, tell = say) {
  if (!token) {
    askForToken("a command needs the token");
    return null;
  }
  try {
    const response = await fetch("ask", {
      method: "POST",
      headers: { "Content-Type": "application/json", ...credentials() },
      body: JSON.stringify({ ...request, ...issued() }),
    });
    const answer = await response.json();
    if (answer.ok) return answer;
    if (response.status === 401) askForToken(answer.error);
    else tell(sentence(answer.error));
  } catch {
    tell("No answer from the rig: look whether it was done before you press again.");
  }
  return null;
}

/** What was done goes by itself, what was not stays until it is closed. */
function say(text, passes = 0) {
  $("said").hidden = false;
  write($("said").querySelector("p"), text);
  clearTimeout(say.later);
  if (passes) say.later = setTimeout(() => ($("said").hidden = true), passes);
}

function sayAnswer(answer) {
  const begun = answer.print && !answer.frame ? [answer.print, ...(answer.steps ?? [])] : [];
  const frame = answer.frame && frameNamed(answer.frame);
  const state = frame ? [`${frame.name} is ${answer.state}, with ${kilo(answer.dose_j_m2)}`] : [];
  const hushed = answer.hushed ? ["hushed"] : [];
  const told = [...begun, ...state, ...hushed, answer.warning].filter(Boolean);
  say(told.map(sentence).join("\n"), answer.warning ? 0 : DONE);
}

/** Presses of a button that is at work go nowhere: a wet finger counts twice. */
async function work(button, doing) {
  if (button.ariaBusy === "true") return;
  button.ariaBusy = "true";
  try {
    await doing();
  } finally {
    button.ariaBusy = "false";
  }
}

function press(button, name) {
  const frame = frameNamed(name);
  if (Date.now() - Math.max(turned, pressed.get(name) ?? 0) < SAME_PRESS) return;
  if (button.dataset.do in OPENS) return OPENS[button.dataset.do](frame);
  pressed.set(name, Date.now());
  work(button, async () => {
    const answer = await ask({ do: button.dataset.do, frame: name });
    pressed.set(name, Date.now());
    if (answer) sayAnswer(answer);
  });
}

// --- dialogs ---------------------------------------------------------------

const wrong = (dialog, text) => write(dialog.querySelector(".wrong"), text ? sentence(text) : "");
const chosen = (dialog, name) => dialog.querySelector(`input[name=${name}]:checked`)?.value ?? "";
const typed = (id) => $(id).value.trim();
/** The number that was typed; not a number where it is none. */
const number = (text) => (NUMBER.test(text) && !THOUSANDS.test(text) ? Number(text.replace(",", ".")) : NaN);

/** Why a text is not what is asked for, if it is not. */
function doubt(text, what, example) {
  if (THOUSANDS.test(text)) {
    const point = text.replace(",", ".");
    return `write ${text.replaceAll(",", "")}${NUMBER.test(point) ? `, or ${point}` : ""}`;
  }
  return number(text) > 0 ? "" : `say ${what} as a number, such as ${example}`;
}

/** A dialog that stays until what it asks for was done, and is told of what changes meanwhile. */
function open(dialog, done, changes = () => {}) {
  const form = dialog.querySelector("form");
  const submit = form.querySelector("[type=submit]");
  const mine = (opening = {});
  const isOpen = () => dialog.open && opening === mine;
  const tell = (text) => (isOpen() ? wrong(dialog, text) : say(sentence(text)));
  follow = () => isOpen() && changes();
  form.onsubmit = (event) => {
    event.preventDefault();
    wrong(dialog, "");
    work(submit, async () => {
      if ((await done(tell)) && isOpen()) dialog.close();
    });
  };
  wrong(dialog, "");
  submit.ariaBusy = "false";
  // What calls stays in sight and in reach.
  dialog.append($("told"));
  dialog.showModal();
  dialog.scrollTop = 0;
  turned = Date.now();
}

for (const dialog of document.querySelectorAll("dialog")) {
  // The second touch of a wet finger that opened it.
  const late = (event) => event.detail > 0 && Date.now() - turned < SAME_PRESS;
  dialog.addEventListener("click", (event) => late(event) && (event.preventDefault(), event.stopPropagation()), true);
  dialog.addEventListener("close", () => {
    turned = Date.now();
    if (dialog.contains($("told"))) document.body.append($("told"));
  });
}

function picks(fieldset, name, options) {
  const labels = options.map(({ value, text }, at) => {
    const label = element("label", { class: "pick" });
    const input = element("input", { type: "radio", name, value });
    input.checked = at === 0;
    const said = element("span");
    write(said, text);
    label.append(input, said);
    return label;
  });
  fieldset.replaceChildren(fieldset.querySelector("legend"), ...labels);
}

function openExpose(frame) {
  const dialog = $("expose");
  const { recipes = [], sources = [] } = news.shelf;
  const showRecipes = () => {
    const before = chosen(dialog, "recipe");
    const source = chosen(dialog, "source") || sources[0];
    const options = recipes.map(({ recipe, targets }) => ({
      value: recipe,
      text: `${recipe}, ${targets[source] ?? "no target yet"}`,
    }));
    picks($("recipes"), "recipe", [...options, { value: "", text: "none, by the dose below" }]);
    for (const input of $("recipes").querySelectorAll("input")) if (input.value === before && before) input.checked = true;
  };
  write($("expose-title"), `Expose ${frame.name}`);
  for (const id of ["target", "negative", "first-band"]) $(id).value = "";
  $("bands").value = "5";
  dialog.querySelector("[name=kind][value=print]").checked = true;
  dialog.querySelector("[name=band-step][value='3']").checked = true;
  showKind();
  $("covered").checked = false;
  picks($("sources"), "source", sources.map((value) => ({ value, text: value })));
  $("sources").hidden = sources.length < 2;
  $("sources").onchange = showRecipes;
  picks($("recipes"), "recipe", []);
  showRecipes();
  open(dialog, async (tell) => {
    const isStrip = chosen(dialog, "kind") === "strip";
    const target = isStrip ? "" : typed("target");
    const why = isStrip ? doubtOfStrip() : target && doubt(target, "the target", "12");
    if (why) return tell(why);
    const request = {
      do: "expose",
      frame: frame.frame,
      recipe: chosen(dialog, "recipe") || null,
      target: target ? `${number(target)}kJ/m2` : null,
      strip: isStrip ? bandsOf().map((dose) => `${dose}kJ/m2`) : null,
      source: sources.length > 1 ? chosen(dialog, "source") : null,
      negative: typed("negative") || null,
      covered: $("covered").checked,
    };
    const answer = await ask(request, tell);
    if (answer) sayAnswer({ ...answer, print: `${answer.print} has begun, up to ${kilo(answer.target_j_m2)}` });
    return answer;
  });
}

/** The doses of a strip in kJ/m². */
function bandsOf() {
  const [first, bands, sixths] = [number(typed("first-band")), number(typed("bands")), number(chosen($("expose"), "band-step"))];
  return Array.from({ length: bands }, (_, band) => Number((first * 2 ** ((band * sixths) / 6)).toPrecision(4)));
}

function doubtOfStrip() {
  const bands = number(typed("bands"));
  const why = doubt(typed("first-band"), "what the first band gets", "4");
  return why || (Number.isInteger(bands) && bands >= 2 && bands <= 24 ? "" : "a strip has 2 to 24 bands");
}

function showKind() {
  const isStrip = chosen($("expose"), "kind") === "strip";
  $("of-a-print").hidden = isStrip;
  $("of-a-strip").hidden = !isStrip;
  const plan = doubtOfStrip() ? "Its bands rise by even steps." : `${bandsOf().map(figure).join(", ")} kJ/m².`;
  const how = "When a band is called, lay card over it, the first one first, and hush. Cover is for the whole frame.";
  write($("strip-help"), `${plan} ${how}`);
}

$("kinds").addEventListener("change", showKind);
$("of-a-strip").addEventListener("input", showKind);

/** A dialog about the print that is in a frame: what it has is shown as it grows, and nothing is done to another. */
function openOnPrint(dialog, frame, show, done) {
  const now = () => frameNamed(frame.frame) ?? frame;
  const isThere = () => now().print === frame.print && now().state !== "in";
  const gone = `another print is in ${frame.name} now, or none`;
  show(frame);
  open(dialog, (tell) => (isThere() ? done(tell) : tell(gone)), () => isThere() && show(now()));
}

function openRetarget(frame) {
  const box = $("new-target");
  /** The target as it is, what was typed, and the sixths of a stop from there, all in kJ/m². */
  let [before, base, sixths] = [frame.target_j_m2 / 1000, frame.target_j_m2 / 1000, 0];
  const stops = () => Math.log2(number(box.value.trim()) / before);
  // As far as four figures tell.
  const isSame = () => Math.abs(stops()) < 0.001;
  const help = () => {
    const from = kilo(before * 1000);
    const told = Number.isFinite(stops()) ? changeOf(stops(), from) : "";
    write($("new-target-help"), isSame() ? `As it is, ${from}.` : told);
  };
  const go = (by) => {
    sixths += by;
    box.value = String(Number((base * 2 ** (sixths / 6)).toPrecision(4)));
    help();
  };
  write($("retarget-title"), `New target for ${frame.name}`);
  $("less").onclick = () => go(-1);
  $("more").onclick = () => go(1);
  box.oninput = () => {
    const value = number(box.value.trim());
    if (value > 0) [base, sixths] = [value, 0];
    help();
  };
  const show = (now) => {
    write($("retarget-dose"), `It has ${now.dose}.`);
    before = now.target_j_m2 / 1000;
    help();
  };
  go(0);
  openOnPrint($("retarget"), frame, show, async (tell) => {
    const why = doubt(typed("new-target"), "the target", "12");
    if (why) return tell(why);
    if (isSame()) return tell("that is its target already");
    const target = `${number(typed("new-target"))}kJ/m2`;
    const answer = await ask({ do: "retarget", frame: frame.frame, target }, tell);
    if (answer) say(sentence(`${frame.name} now aims at ${kilo(answer.target_j_m2)}`), DONE);
    return answer;
  });
}

/** A change of dose in words. */
function changeOf(stops, from) {
  const size = Math.abs(stops);
  const sixths = Math.round(6 * size);
  const even = [Math.floor(sixths / 6) || "", SIXTHS[sixths % 6]].filter(Boolean).join(" ");
  const told = sixths && Math.abs(6 * size - sixths) < 0.06 ? even : Math.max(size, 0.01).toFixed(2);
  return `${told} ${size > 1.01 ? "stops" : "stop"} ${stops > 0 ? "more" : "less"} than ${from}.`;
}

/** A note on a print; what was done with it once it is in. */
function openNote(print, title, isIn) {
  const dialog = $("note");
  const word = (id) => $(id).value && $(id).selectedOptions[0].textContent;
  write($("note-title"), title);
  for (const id of ["text", "tone", "step", "minutes"]) $(id).value = "";
  $("work").hidden = !isIn;
  open(dialog, async (tell) => {
    const minutes = typed("minutes");
    const said = [word("step"), word("tone") && `border ${word("tone")}`].filter(Boolean).join(", ");
    const text = typed("text").replaceAll("\t", " ") || said;
    if (!text) return tell("write a word or two");
    if (minutes && !$("step").value) return tell("say what was done for so long");
    const why = minutes && doubt(minutes, "the minutes", "10");
    if (why) return tell(why);
    if (number(minutes) > 43_200) return tell("no step takes longer than a month");
    const request = {
      do: "note",
      print,
      text,
      tone: $("tone").value || null,
      step: $("step").value || null,
      seconds: minutes ? 60 * number(minutes) : null,
    };
    const answer = await ask(request, tell);
    if (answer) say("The note is kept.", DONE);
    return answer;
  });
}

function openSure(frame) {
  write($("sure-title"), `Bring in ${frame.name}?`);
  const show = (now) => write($("sure-dose"), `It has ${now.dose}.`);
  openOnPrint($("sure"), frame, show, async (tell) => {
    const answer = await ask({ do: "bring-in", frame: frame.frame }, tell);
    if (answer) sayAnswer(answer);
    return answer;
  });
}

function openJudge(print) {
  const dialog = $("judge");
  write($("judge-title"), `Judge ${print.print}`);
  write($("judge-facts"), factsOf(print));
  for (const input of dialog.querySelectorAll("input")) input.checked = false;
  $("stops").hidden = true;
  open(dialog, async (tell) => {
    const [verdict, stops] = [chosen(dialog, "verdict"), chosen(dialog, "stops")];
    if (!verdict) return tell("say how the print is");
    if (verdict !== "good" && !stops) return tell("say by how much");
    const said = verdict === "good" ? { good: true } : { off: `${verdict}${stops}stop` };
    const answer = await ask(
      { do: "judge", print: print.print, ...said, dry: $("dry").checked, oxidised: $("oxidised").checked },
      tell,
    );
    if (answer) sayAnswer({ ...answer, print: `${answer.print}: ${answer.steps.join("; ")}`, steps: [] });
    return answer;
  });
}

$("verdicts").addEventListener("change", () => {
  $("stops").hidden = chosen($("judge"), "verdict") === "good";
});

$("token").querySelector("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const before = token;
  keep($("typed").value.trim());
  const answer = await ask({ do: "status" }, (text) => wrong($("token"), text));
  if (answer) $("token").close();
  else keep(before);
  showRights();
  if (answer) listening.abort(NEW_TOKEN);
});

$("forget").addEventListener("click", () => {
  keep(null);
  showRights();
  $("token").close();
  listening.abort(NEW_TOKEN);
});

$("give-token").addEventListener("click", () => askForToken(""));
$("hush-all").addEventListener("click", (event) =>
  work(event.currentTarget, async () => {
    const answer = await ask({ do: "hush" });
    if (answer) sayAnswer(answer);
  }),
);
$("said").querySelector("button").addEventListener("click", () => {
  $("said").hidden = true;
});
for (const button of document.querySelectorAll("[data-close]")) {
  button.addEventListener("click", () => button.closest("dialog").close());
}

// A phone that slept finds its link dead and does not know it.
setInterval(() => {
  if (Date.now() - Math.max(heard, begun) > SILENT) listening.abort();
}, 1000);

takeToken();
showRights();
listen();
