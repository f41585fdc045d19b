// What is shown, step by step. Only asking and showing: judging stands in model.js, keeping in keep.js. Words that came from
// elsewhere are set as text, never as markup.

const TABLES = JSON.parse(document.getElementById("tables").textContent);
const WORK = JSON.parse(document.getElementById("work").textContent);
const NOWHERE = TABLES.where;  // as the page was made: with a place, or without one
const MODEL = makeModel(TABLES), ASKING = makeAsking(MODEL), BARRIER = makeBarrier(MODEL);
const STORE = `browse pocket ${WORK.log ?? "no log"} ${WORK.site}`;
const DUE_AT_ONCE = 5;
const MOST_IN_A_FILE = 200e6;  // bytes of photos; more goes into a second file

const now = {view: "start", db: null, can: [], persisted: null, versions: [], handed: new Set(), said: "", by: "", made: null, from: 0, place: ""};
let wound = newWound(), tree = null, look = null;

function newWound(tag = "") {
  const place = now.place;  // the next wound is mostly in the same one
  return {signs: {}, passed: place ? [TABLES.limits.place] : [], place, snow: "", photos: [], tag, plot: "", note: "", grid: "", position: null, several: []};
}

const canDo = what => now.can.find(([name]) => name === what)?.[1] ?? false;

function nothingKept() {
  const why = now.can.find(([name]) => name === "keep records")?.[2] ?? "";
  return `This browser keeps nothing for this page (${why}): key, barrier and due list work, records do not. Write on paper, or open the page in another browser.`;
}

function whatItCannot() {
  const missing = now.can.filter(([, can]) => !can);
  const kept = now.persisted === null ? "not asked" : now.persisted ? "promised" : "not promised";
  return el("div", {className: "told"}, missing.length ? `This browser cannot: ${missing.map(([name]) => name).join(", ")}.` : "Tried out: this browser can do everything here.",
    el("details", {}, el("summary", {}, "What was tried"), el("ul", {}, now.can.map(([name, can, why]) => el("li", {}, `${name}: ${can ? "yes" : `no; ${why}`}`)),
      el("li", {}, `keep it even when the phone runs short of room: ${kept}`))));
}

const home = () => el("div", {className: "start"}, button("Back to the start", () => go("start")));

function startView() {
  const due = WORK.due.filter(one => one.barrier).length, unfinished = Object.keys(wound.signs).length || wound.photos.length;
  return [heading("What do you want to do?"), now.db ? null : el("p", {className: "told"}, nothingKept()),
    el("div", {className: "start"},
      button(unfinished ? "What bit it? Go on where you were" : "What bit it?", () => {
        if (!unfinished && tree) wound.plot = tree.entry.plot ?? "";  // found while its plot is tallied
        go("question");
      }, {className: "main"}),
      unfinished ? button("Start a new wound; drop that one", async () => { await (now.db && dropDraft()); wound = newWound(); go("question"); }) : null,
      button("Tally trees on plots", () => go("tally")), button(`Barriers due (${due})`, () => go("due")),
      button("What is kept here", () => go("kept")), button("Hand over", () => go("hand"), {disabled: !now.db})),
    paragraph(countWords()), whatItCannot(), paragraph(el("small", {}, `Made on ${WORK.made}. ${TABLES.where.words} Print this page for the key on paper.`))];
}

const VIEWS = {start: startView, question: questionView, why: whyView, barrier: barrierView, care: careView, sources: sourcesView, answers: answersView, keep: keepView,
               tally: tallyView, due: dueView, look: lookView, kept: keptView, hand: handOverView};

function say(words) {
  now.said = words;
  const line = document.getElementById("said");
  if (line) line.textContent = words;
}

function go(view) {
  if (now.view !== view && !["start", "due", "hand"].includes(view)) now.said = "";
  now.view = view;
  show();
}

/** Draws the view anew. fresh : it is another step, read from its top. */
function show(fresh = true) {
  const page = document.getElementById("page"), inWound = TABS.some(([view]) => view === now.view) || ["care", "sources"].includes(now.view);
  const focused = document.activeElement?.id, pressed = document.activeElement?.textContent;
  page.replaceChildren(el("header", {}, el("h1", {}, WORK.site), now.view === "start" ? button("Light or dark", turnColours) : button("Start", () => go("start"))),
    el("p", {id: "said", role: "status", className: "told"}, now.said),
    el("main", {}, ...VIEWS[now.view]().flat(9).filter(Boolean)), ...(inWound ? [tabs()] : []));
  if (fresh) {
    scrollTo(0, 0);
    page.querySelector("h2")?.focus({preventScroll: true});
  } else {
    const again = (focused && document.getElementById(focused)) || [...page.querySelectorAll("button")].find(one => one.textContent === pressed);
    again?.focus({preventScroll: true});
  }
}

function turnColours() {
  const root = document.documentElement, dark = root.classList.contains("dark") || (!root.classList.contains("light") && matchMedia("(prefers-color-scheme: dark)").matches);
  root.classList.toggle("dark", !dark);
  root.classList.toggle("light", dark);
}

async function begin() {
  const {db, found} = await tryOut(STORE);
  now.db = db;
  now.can = found;
  if (db) {
    now.versions = (await readAll(db, "versions")).sort((a, b) => a.at < b.at ? -1 : 1);
    now.handed = new Set(await readKeys(db, "handed"));
    now.by = now.versions.at(-1)?.by ?? "";
    const draft = await readOne(db, "draft", "wound"), photos = await readOne(db, "draft", "photos");
    if (draft) Object.assign(wound, draft, {several: []});
    now.place = wound.place ?? "";
    if (photos) wound.photos = photos.photos.map(photo => ({...photo, url: URL.createObjectURL(new Blob([photo.bytes], {type: photo.type}))}));
  }
  show();
  if (db) askToKeep();
  const without = await keepPage();
  now.can.push(["open without a network", without === "", without]);
  if (now.view === "start") show(false);
}

/** Asks that nothing is cleared when the phone runs short of room. Not waited for: some browsers ask the person first. */
function askToKeep() {
  const promised = navigator.storage?.persist?.();
  promised?.then(kept => {
    now.persisted = kept;
    if (now.view === "start") show(false);
  }).catch(() => {});
}

begin();
