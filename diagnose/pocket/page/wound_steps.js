// The steps of one wound: what is asked next, how likely each culprit is and why, what stops it, what was answered.

let judged = {key: "", verdict: null, step: null};
/** The place that was chosen for this wound counts, where the page was made for none. */
function inItsPlace() {
  const chosen = wound.place && NOWHERE.name === null ? MODEL.whereOf(wound.place) : null;
  if (TABLES.where.given !== (chosen ?? NOWHERE).given) TABLES.where = chosen ?? NOWHERE;
}

function verdictNow() {
  inItsPlace();
  const snowMm = asNumber(wound.snow), given = {signs: wound.signs, month: new Date().getMonth() + 1, snowMm};
  const key = JSON.stringify([given, wound.passed, wound.place]);
  if (judged.key !== key) {
    const verdict = MODEL.judge(given);
    judged = {key, verdict, step: ASKING.nextStep(verdict, wound.passed), reasons: null, snowMm};
  }
  return judged;
}

function statement(verdict) {
  if (verdict.leading !== null) {
    return `Most likely ${MODEL.nameOf(verdict.leading)}: ${percent(MODEL.shareOf(verdict.culprits, verdict.leading))}.`;
  }
  const pair = Object.keys(verdict.groups).sort((a, b) => verdict.groups[b] - verdict.groups[a]).slice(0, 2);
  return `Cannot tell yet. Likeliest: ${pair.map(key => `${TABLES.groups[key].name} ${percent(verdict.groups[key])}`).join(", ")}.`;
}

function headline() {
  const {verdict} = verdictNow();
  if (!Object.keys(wound.signs).length) return null;
  const strength = verdict.leading === null ? Math.max(...Object.values(verdict.groups)) : MODEL.shareOf(verdict.culprits, verdict.leading);
  return el("div", {className: verdict.leading === null ? "verdict open" : "verdict", role: "status"}, statement(verdict).replaceAll(" %", "\u00a0%"), bar(strength));
}

/** Why nothing should be bought yet; empty where the verdict carries a barrier. */
function findOutFirst() {
  const {verdict, step} = verdictNow();
  const why = !Object.keys(wound.signs).length ? "nothing was answered" : verdict.leading === null ? "it cannot be told yet what did it" : "";
  if (!why) return "";
  return `Do not buy yet: ${why}. ` + (step.question === null ? settle(verdict) : `Find out first: ${questionOf(step.question)}`);
}

function settle(verdict) {
  const animals = verdict.culprits.reduce((sum, share, k) => sum + (["mammal", "bird"].includes(TABLES.culprits[k].kind) ? share : 0), 0), told = [];
  if (animals >= 1 - TABLES.limits.clearly)
    told.push("A trail camera for a week or two, or tracks in fresh snow or raked soil, would settle it; saliva DNA can while the bite is fresh.");
  if (animals <= TABLES.limits.clearly)
    told.push(`Look for the cause itself${told.length ? " too" : ""}: insects, frass, recent frost, spraying or machine work.`);
  return told.join(" ");
}

const wordsOf = (word, choice) => word.words[word.choices.indexOf(choice)];
const questionOf = name => name === TABLES.limits.place ? TABLES.places.question : MODEL.signOf.get(name).question;
const passedWords = word => word.several ? "did not look" : "don't know";

const passedAs = name => name !== TABLES.limits.place ? passedWords(MODEL.signOf.get(name)) : wound.place ? TABLES.where.name : "don't know";

function signWords(name) {
  const word = MODEL.signOf.get(name), sign = wound.signs[name], said = choice => wordsOf(word, choice);
  if ("choice" in sign) return `${word.label}: ${said(sign.choice)}`;
  if ("found" in sign) return `${word.label}: ${sign.found.map(said).join(" and ")}${sign.complete ? "; nothing else there" : ""}`;
  return `${word.label}: ${sign.value} ${word.unit}`;
}

const TABS = [["question", "Question"], ["why", "Why"], ["barrier", "Barrier"], ["answers", "Answers"], ["keep", "Keep"]];

function tabs() {
  return el("nav", {className: "tabs", "aria-label": "Steps of this wound"}, TABS.map(([view, words]) =>
    button(words, () => go(view), now.view === view ? {"aria-current": "step"} : {})));
}

function questionView() {
  const {step} = verdictNow();
  if (step.question === null) {
    return [headline(), heading("No more questions"), paragraph(`${step.reason[0].toUpperCase()}${step.reason.slice(1)}.`),
            el("p", {className: "told"}, findOutFirst() || barrierLine(requirement())),
            el("div", {className: "start"}, button("See the barrier", () => go("barrier")), button("Keep this wound", () => go("keep"), {className: "main"}))];
  }
  if (step.question === TABLES.limits.place) return placeView();
  const word = MODEL.signOf.get(step.question);
  const answer = sign => {
    if (sign === null) wound.passed.push(word.name);
    else wound.signs[word.name] = sign;
    wound.several = [];
    saveDraft();
    show();
  };
  const pressed = wound.several, elsewhere = word.name === "seen" ? TABLES.where.elsewhere : [];
  const one = choice => button([word.drawings?.[choice] ? drawing(word.drawings[choice]) : null, el("span", {}, wordsOf(word, choice))], () => {
    if (!word.several || choice === "none") return answer({choice});
    wound.several = pressed.includes(choice) ? pressed.filter(each => each !== choice) : pressed.length < 4 ? [...pressed, choice] : pressed;
    show(false);
  }, word.several && choice !== "none" ? {"aria-pressed": String(pressed.includes(choice))} : {});
  return [headline(), heading(word.question), paragraph(el("small", {}, word.help)),
    el("div", {className: "answers", role: "group", "aria-label": word.question},
      word.choices.filter(choice => !elsewhere.includes(choice)).map(one), button(passedWords(word), () => answer(null))),
    elsewhere.length ? el("details", {open: elsewhere.some(choice => pressed.includes(choice))}, el("summary", {}, "Another animal, not known to live here"),
      el("div", {className: "answers", role: "group", "aria-label": "Animals not known to live here"}, elsewhere.map(one))) : null,
    word.several ? el("div", {className: "start"}, button("That is all", () => answer(
      pressed.length === 1 ? {choice: pressed[0]} : {found: pressed, complete: false}), {className: "main", disabled: !pressed.length})) : null];
}

/** Asked where the page was made for no place. */
function placeView() {
  const {question, help, all} = TABLES.places;
  const listed = el("select", {id: "place"}, el("option", {value: ""}, ""), all.map(one => el("option", {value: one.code}, one.name)));
  const given = code => {
    wound.passed.push(TABLES.limits.place);
    wound.place = now.place = code;
    saveDraft();
    show();
  };
  return [headline(), heading(question), paragraph(el("small", {}, help)), el("label", {htmlFor: "place"}, "Country, or part of one"), listed,
    el("div", {className: "start"}, button("Go on", () => listed.value && given(listed.value), {className: "main"}), button("don't know", () => given("")))];
}

function whyView() {
  const {verdict} = verdictNow();
  if (!Object.keys(wound.signs).length) return [heading("Why"), paragraph("Answer a question first.")];
  judged.reasons ??= MODEL.reasons(verdict);
  const target = MODEL.nameOf(verdict.leading ?? MODEL.firstOf(verdict)), told = judged.reasons.filter(one => Math.abs(one.weight) > 0.05);
  const times = weight => { const odds = Math.exp(Math.min(Math.abs(weight), 9)); return odds >= 10 ? odds.toFixed(0) : odds.toFixed(1); };
  const other = verdict.culprits[MODEL.keys.indexOf(TABLES.limits.not_listed)];
  return [headline(), heading("How likely each is"), MODEL.ranked(verdict).slice(0, 5).map(([key, share]) =>
    el("div", {className: "share"}, el("span", {}, MODEL.nameOf(key)), bar(share), el("b", {}, percent(share)))),
    told.length ? el("h3", {}, `What speaks for ${target}, and what against, in odds`) : null,
    told.length ? el("table", {className: "odds"}, el("tbody", {}, [...told].sort((a, b) => b.weight - a.weight).map(one =>
      el("tr", {}, el("td", {}, signWords(one.sign)), el("td", {}, `${one.weight > 0 ? "for ×" : "against ÷"}\u00a0${times(one.weight)}`))))) : null,
    other >= TABLES.limits.outside ? el("p", {className: "told"}, "The signs do not fit anything listed well. Look again at the freshest damage, "
      + "or ask somebody local who knows animal signs.") : null,
    el("p", {}, el("small", {}, TABLES.where.words)), el("p", {}, el("small", {}, settle(verdict)))];
}

function requirement() {
  const {verdict, snowMm} = verdictNow();
  return BARRIER.require(verdict, snowMm !== null && snowMm >= 0 && snowMm <= TABLES.barrier.most_snow_mm ? snowMm : 0);
}

function barrierLine(found) {
  if (found.kind === null) return "Barrier: none helps against this.";
  const fine = found.figures["finer mesh at the base"] ? ", with finer mesh round the base" : "";
  return `Barrier: ${found.kind}${fine}, against ${found.stops.join(" and ")}.`;
}

function barrierView() {
  const first = findOutFirst();
  if (!Object.keys(wound.signs).length) return [heading("Barrier"), el("p", {className: "told"}, first)];
  const found = requirement(), {snowMm} = verdictNow();
  const rows = Object.entries(found.figures).map(([name, figure]) => [name, lengthOf(figure.mm)]);
  if (found.base) rows.push(["at the ground", found.base]);
  const sizes = [paragraph(el("b", {}, barrierLine(found))), found.instead.map(words => el("p", {className: "told"}, words)),
    el("table", {}, el("tbody", {}, rows.map(([name, value]) => el("tr", {}, el("td", {}, name), el("td", {}, value))))),
    found.leavesOpen.length ? paragraph(`Does not stop: ${found.leavesOpen.join(", ")}.`) : null,
    found.also.map(words => paragraph(`Also: ${words}.`))];
  return [headline(), heading(first ? "Do not buy yet" : "What stops it"),
    first ? el("p", {className: "told"}, first) : null,
    first ? el("details", {}, el("summary", {}, "What would suit if the likeliest did it"), sizes) : sizes,
    paragraph(snowMm === null ? "Without snow: say under Answers how deep it lies." : `With ${Math.round(snowMm)} mm of snow.`),
    first ? null : el("div", {className: "care"}, el("ul", {}, found.cautions.slice(0, 2).map(words => el("li", {}, words)))),
    el("div", {className: "start"}, button(`Take care: all ${found.cautions.length} points`, () => go("care")),
      button("What fails, and where the sizes come from", () => go("sources")))];
}

function careView() {
  return [headline(), heading("Take care"), el("div", {className: "care"}, el("ul", {}, requirement().cautions.map(words => el("li", {}, words)))), toBarrier()];
}

function sourcesView() {
  const found = requirement();
  return [headline(), heading("What fails, and where the sizes come from"), found.fails.map(words => paragraph(`Fails: ${words}.`)),
    Object.entries(found.figures).map(([name, figure]) => paragraph(el("small", {}, `${name}: ${TABLES.barrier.sources[figure.source]}${figure.note ? `; ${figure.note}` : ""}`))), toBarrier()];
}

const toBarrier = () => el("div", {className: "start"}, button("Back to the barrier", () => go("barrier")));

function answersView() {
  const numbers = ["end_diameter_mm", "wound_height_mm", "stem_diameter_mm", "tooth_width_mm"].map(name => MODEL.signOf.get(name));
  const setNumber = (word, text) => {
    const value = asNumber(text);
    if (value === null || value < word.low || value > word.high) delete wound.signs[word.name];
    else wound.signs[word.name] = {value, sigma: Math.max(word.reading[0] * value, word.reading[1])};
    saveDraft();
  };
  const told = Object.keys(wound.signs).filter(name => MODEL.signOf.get(name).kind === "choice");
  return [headline(), heading("What was answered"),
    told.length || wound.passed.length ? null : paragraph("Nothing yet."),
    el("ul", {className: "list lean"}, told.map(name => el("li", {}, signWords(name), button("take back", () => {
      delete wound.signs[name];
      saveDraft();
      show(false);
    }, {"aria-label": `take back: ${signWords(name)}`}))), wound.passed.map(name => el("li", {}, `${questionOf(name)} ${passedAs(name)}`, button("ask again", () => {
      wound.passed = wound.passed.filter(each => each !== name);
      if (name === TABLES.limits.place) wound.place = now.place = "";
      saveDraft();
      show(false);
    }, {"aria-label": `ask again: ${questionOf(name)}`})))),
    el("details", {}, el("summary", {}, "Measured with a rule or tape, and snow"),
    numberField("How deep did the snow lie then [mm]?", wound.snow, value => { wound.snow = value; }),
    numbers.map(word => numberField(word.question, wound.signs[word.name]?.value ?? "", text => setNumber(word, text)))),
    el("div", {className: "start"}, button("Judge with these", () => go("why")))];
}
