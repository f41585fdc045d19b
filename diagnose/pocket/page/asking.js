// Which question is worth asking next, and when is asking over? As diagnose/culprits/ask.py.

function makeAsking(model) {
  const {t, keys, signOf} = model, L = t.limits;
  const questions = t.signs.filter(word => word.kind === "choice" && word.question);
  const barrierOf = t.barrier.need_of;

  function fits(word, signs) {
    const wound = signs.wound;
    if (!word.asked_of.length || !wound) return !word.asked_of.length;
    if ("choice" in wound) return word.asked_of.includes(wound.choice);
    return "shares" in wound && word.asked_of.reduce((sum, kind) => sum + (wound.shares[kind] ?? 0), 0) > 0.5;
  }

  function askable(signs) {
    const told = new Set(Object.keys(signs).map(name => signOf.get(name)?.about));
    return questions.filter(word => !told.has(word.about) && fits(word, signs));
  }

  function answersTo(on, word, now) {
    return model.isTrace(word.name) ? tracesAnswered(on, word, now) : woundAnswered(on, word, now);
  }

  function tracesAnswered(on, word, now) {
    const maker = model.ofCulprits(now), answered = model.tracesAnswered(on.signs, word, on.start.about);
    const chances = word.choices.map(choice =>
      maker.reduce((sum, share, k) => sum + share * (answered.get(choice)[k] / on.traces[k]), 0));
    const after = word.choices.map(choice => model.ofCulprits(model.madeBy(on, on.parts, answered.get(choice))));
    const nothing = chances[word.choices.indexOf("none")], found = sumOf(chances) - nothing;
    const alone = chances.map((chance, i) => word.choices[i] === "none" ? chance
      : chance * Math.max(1 - nothing, 0) / Math.max(found, 1e-12));
    return turnsOf(word, alone, after);
  }

  function woundAnswered(on, word, now) {
    const own = word.group, touched = new Set([own]);
    if (word.name === "wound" || word.name === "season") {
      for (const group of ["height", "end_diameter_mm"]) if (on.parts.has(group)) touched.add(group);
    }
    const rest = model.madeBy(on, new Map([...on.parts].filter(([group]) => !touched.has(group))), on.traces);
    let chances = [];
    const after = [];
    for (const choice of word.choices) {
      const signs = {...on.signs, [word.name]: {choice}};
      let chance = now.map(() => 1), made = rest;
      for (const group of touched) {
        const found = model.rawGroup(group, model.toldOf(signs, group), signs, on.snowMm);
        if (found === null) continue;
        const likely = model.filled(found.raw, on.prior, t.words.strength), {inside} = found;
        made = made.map((one, c) => one * likely[c] * (inside === null ? 1 : inside[c]));
        const total = Math.max(sumOf(made), 1e-300);
        made = made.map(one => one / total);
        if (group === own) {
          const mean = meanFilled(found.raw, on.prior);
          chance = inside === null ? mean : mean.map((one, c) => one * inside[c]);
        }
      }
      chances.push(dot(now, chance));
      after.push(model.ofCulprits(made));
    }
    if (word.name === "past_snow") chances = snowChances(on);
    return turnsOf(word, chances, after);
  }

  function meanFilled(raw, prior) {
    let weight = 0, sum = 0;
    raw.forEach((one, c) => { if (!Number.isNaN(one)) { weight += prior[c]; sum += prior[c] * one; } });
    if (raw.every(one => Number.isNaN(one))) return raw.map(() => 1);
    return raw.map(one => Number.isNaN(one) ? sum / Math.max(weight, 1e-300) : one);
  }

  function snowChances(on) {
    const lying = model.depthsOf(on.signs, on.snowMm);
    return signOf.get("past_snow").choices.map(choice => lying.reduce((sum, [depth, share]) =>
      t.snow.depth_mm[choice].includes(depth) ? sum + share : sum, 0));
  }

  function turnsOf(word, chances, after) {
    const total = sumOf(chances);
    return word.choices.map((choice, i) => ({choice, chance: total > 0 ? chances[i] / total : 1 / chances.length,
                                             culprits: after[i]}));
  }

  const classNames = keys.map(key => barrierOf[key] ?? key), classes = [...new Set(classNames)];
  function toClasses(culprits) {
    const found = new Array(classes.length).fill(0);
    culprits.forEach((share, k) => { found[classes.indexOf(classNames[k])] += share; });
    return found;
  }

  function entropy(shares) {
    return shares.reduce((sum, one) => one > 0 ? sum - one * Math.log(one) : sum, 0);
  }

  /** Question -> {gain: expected information gain [nat], right: expected gain in the chance of the right barrier}. */
  function worthOf(verdict) {
    const on = verdict.on, now = model.madeBy(on, on.parts, on.traces), found = new Map();
    const before = toClasses(verdict.culprits);
    for (const word of askable(verdict.given.signs)) {
      const answers = answersTo(on, word, now), applies = appliesOf(word, verdict);
      const mean = each => answers.reduce((sum, one) => sum + one.chance * each(one), 0);
      const deciding = entropy(before) - mean(one => entropy(toClasses(one.culprits)));
      const apart = entropy(verdict.culprits) - mean(one => entropy(one.culprits));
      const right = mean(one => Math.max(...toClasses(one.culprits))) - Math.max(...before);
      found.set(word.name, {gain: applies * ((1 - L.beside) * deciding + L.beside * apart), right: applies * right, answers});
    }
    return found;
  }

  function appliesOf(word, verdict) {
    if (word.name !== "snow_line") return 1;
    const past = verdict.given.signs.past_snow;
    if (past && "choice" in past) return past.choice !== "none" ? 1 : 0;
    return model.depthsOf(verdict.on.signs, verdict.on.snowMm).reduce((sum, [depth, share]) => depth > 0 ? sum + share : sum, 0);
  }

  /** {question, reason}: the sign most worth asking for, or null with why asking is over. */
  function nextStep(verdict, passed = []) {
    const kind = Object.keys(verdict.groups).reduce((a, b) => verdict.groups[b] > verdict.groups[a] ? b : a);
    if (verdict.groups[kind] >= L.clear) return {question: null, reason: `${t.groups[kind].name} is clear enough`};
    if (!verdict.given.signs.wound && !passed.includes("wound")) {
      return {question: "wound", reason: "what was hurt decides which other questions make sense"};
    }
    const alike = sameBarrier(verdict);
    if (alike.length) {
      return {question: null, reason: `${alike.join(" and ")} need the same barrier, so telling them apart changes nothing`};
    }
    const value = new Map();
    for (const [name, {gain, right}] of worthOf(verdict)) {
      if (!passed.includes(name) && gain >= L.least_gain && right >= L.least_change) {
        value.set(name, gain * signOf.get(name).chance / signOf.get(name).effort);
      }
    }
    if (!value.size) return {question: null, reason: "no more answers will change what to buy"};
    const best = Math.max(...value.values());
    for (const [name, worth] of value) {
      if (worth >= best - L.alike) return {question: name, reason: "it is expected to tell most for the least trouble"};
    }
  }

  function sameBarrier(verdict) {
    const shares = new Map();
    keys.forEach((key, k) => {
      if (key in barrierOf && key !== L.not_listed) {
        shares.set(barrierOf[key], (shares.get(barrierOf[key]) ?? 0) + verdict.culprits[k]);
      }
    });
    const listed = sumOf(shares.values()), most = Math.max(...shares.values());
    if (!shares.size || listed < L.listed || most < L.clear * listed) return [];
    const barrier = [...shares.keys()].find(need => shares.get(need) === most);
    const alike = keys.filter((key, k) => barrierOf[key] === barrier && verdict.culprits[k] >= 0.05);
    return alike.length > 1 ? alike.map(model.nameOf) : [];
  }

  return {askable, fits, worthOf, nextStep};
}
