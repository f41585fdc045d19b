// Which question is worth asking next, and when is asking over? As diagnose/culprits/ask.py.

function makeAsking(model) {
  const {t, keys, signOf} = model, L = t.limits;
  const questions = t.signs.filter(word => word.kind === "choice" && word.question);
  const barrierOf = t.barrier.need_of, builtOf = t.barrier.built_of;

  function fits(word, signs) {
    if (Object.keys(word.asked_where).length && !model.answeredSo(signs, word.asked_where)) return false;
    if (model.answeredSo(signs, word.void_where)) return false;
    const wound = signs.wound;
    if (!word.asked_of.length || !wound) return !word.asked_of.length;
    if ("choice" in wound) return word.asked_of.includes(wound.choice);
    return "shares" in wound && word.asked_of.reduce((sum, kind) => sum + (wound.shares[kind] ?? 0), 0) > 0.5;
  }

  function askable(signs) {
    const told = new Set(Object.keys(signs).map(name => signOf.get(name)?.about));
    return questions.filter(word => !told.has(word.about) && fits(word, signs));
  }

  /** Is no place known, and would another group be the likeliest at one of the far-apart places? */
  function placeChanges(verdict) {
    if (t.where.name !== null) return false;
    const here = t.where, group = () => model.likeliest(model.byGroup(model.posterior(verdict.given))), now = group();
    try {
      return here.parts.some(part => {
        t.where = {...here, parts: [part], rates_power: 1};
        return group() !== now;
      });
    } finally {
      t.where = here;
    }
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
    const own = [signOf.get(word.kind_of), word].filter(Boolean).map(one => one.group), touched = new Set(own);
    const voided = t.signs.filter(one => word.name in one.void_where && on.parts.has(one.group)).map(one => one.group);
    voided.forEach(group => touched.add(group));
    if (word.name === "wound" || word.name === "season") {
      for (const group of ["height", "end_diameter_mm"]) if (on.parts.has(group)) touched.add(group);
    }
    const rest = model.madeBy(on, new Map([...on.parts].filter(([group]) => !touched.has(group))), on.traces);
    let chances = [];
    const after = [];
    for (const choice of word.choices) {
      const signs = {...on.signs, [word.name]: {choice}};
      let chance = now.map(() => 1), made = rest, prior = on.prior;
      for (const group of touched) {
        const told = model.toldOf(signs, group);
        if (voided.includes(group) && !told.length) continue;
        const found = model.rawGroup(group, told, signs, on.snowMm);
        if (found === null) continue;
        const {inside} = found, within = (one, c) => inside === null ? one : one * inside[c];
        const likely = model.filled(found.raw, prior, t.words.strength).map(within);
        made = made.map((one, c) => one * likely[c]);
        const total = Math.max(sumOf(made), 1e-300);
        made = made.map(one => one / total);
        if (own.includes(group)) {
          const mean = meanFilled(found.raw, prior).map(within);
          chance = chance.map((one, c) => one * mean[c]);
          prior = group === word.group ? on.prior : prior.map((one, c) => one * likely[c]);
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

  const byWhatIsBuilt = sorter(builtOf), byGroup = sorter(Object.fromEntries(t.culprits.map(one => [one.key, one.group])));

  /** Culprits' shares -> the shares of the classes that decide. */
  function sorter(classOf) {
    const names = keys.map(key => classOf[key] ?? key), classes = [...new Set(names)];
    const rows = names.map(name => classes.indexOf(name));
    return culprits => {
      const found = new Array(classes.length).fill(0);
      culprits.forEach((share, k) => { found[rows[k]] += share; });
      return found;
    };
  }

  function entropy(shares) {
    return shares.reduce((sum, one) => one > 0 ? sum - one * Math.log(one) : sum, 0);
  }

  /** Question -> {gain: expected information gain [nat], applies, answers}. */
  function worthOf(verdict) {
    const on = verdict.on, now = model.madeBy(on, on.parts, on.traces), found = new Map();
    const before = byWhatIsBuilt(verdict.culprits);
    for (const word of askable(verdict.given.signs)) {
      const answers = answersTo(on, word, now), applies = appliesOf(word, verdict);
      const mean = each => answers.reduce((sum, one) => sum + one.chance * each(one), 0);
      const deciding = entropy(before) - mean(one => entropy(byWhatIsBuilt(one.culprits)));
      const apart = entropy(verdict.culprits) - mean(one => entropy(one.culprits));
      found.set(word.name, {gain: applies * ((1 - L.beside) * deciding + L.beside * apart), applies, answers});
    }
    return found;
  }

  /** Chance that the likeliest class, as a sorter makes them, stays the likeliest when every question that is left was asked. */
  function stays(verdict, passed, worth, byClass) {
    const now = byClass(verdict.culprits).map(share => Math.max(share, L.least_chance)), first = now.indexOf(Math.max(...now));
    const zeros = () => new Array(now.length).fill(0), shift = [zeros(), zeros()], spread = [zeros(), zeros()];
    for (const [name, {applies, answers}] of worth) {
      if (passed.includes(name)) continue;
      const answered = signOf.get(name).chance * applies;
      const raw = answers.map(one => byClass(one.culprits).map((share, c) => Math.max(one.chance * share / now[c], L.least_chance)));
      const total = now.map((_, c) => raw.reduce((sum, row) => sum + row[c], 0));
      const under = raw.map(row => row.map((one, c) => one / total[c]));
      now.forEach((_, c) => [first, c].forEach((given, row) => {
        let mean = 0, square = 0;
        for (const likely of under) {
          const odds = Math.log(likely[first] / likely[c]);
          mean += likely[given] * odds;
          square += likely[given] * odds * odds;
        }
        shift[row][c] += answered * mean;
        spread[row][c] += answered * square - (answered * mean) ** 2;
      }));
    }
    const overtaken = (row, c) => below(-(Math.log(now[first] / now[c]) + shift[row][c])
      / Math.sqrt(Math.max(spread[row][c], L.least_chance)));
    const lost = now.map((share, c) => c === first ? 0
      : Math.min(now[first] * overtaken(0, c) + share * overtaken(1, c), 1));
    return Math.max(1 - sumOf(lost), 0);
  }

  /** Will what is built most likely stay, and the group, if one is told as sure? */
  function settled(verdict, passed, worth) {
    const asked = new Set([...passed.filter(name => name !== L.place), ...questions.map(word => word.name).filter(name => name in verdict.given.signs)]);
    const least = asked.size < L.handful ? L.built_stays : asked.size === L.handful ? L.handful_stays : L.later_stays;
    if (stays(verdict, passed, worth, byWhatIsBuilt) < least) return false;
    return Math.max(...Object.values(verdict.groups)) < L.sure || stays(verdict, passed, worth, byGroup) >= L.sure_stays;
  }

  function appliesOf(word, verdict) {
    if (word.name !== "snow_line") return 1;
    const past = verdict.given.signs.past_snow;
    if (past && "choice" in past) return past.choice !== "none" ? 1 : 0;
    return model.depthsOf(verdict.on.signs, verdict.on.snowMm).reduce((sum, [depth, share]) => depth > 0 ? sum + share : sum, 0);
  }

  /** {question, reason}: the sign most worth asking for, or null with why asking is over. */
  function nextStep(verdict, passed = []) {
    const hanging = askable(verdict.given.signs).find(word => Object.keys(word.asked_where).length && !passed.includes(word.name));
    if (hanging) return {question: hanging.name, reason: "the answer before it hangs on this one"};
    if (!passed.includes(L.place) && placeChanges(verdict)) {
      return {question: L.place, reason: "which animals live there would change the verdict"};
    }
    if (!verdict.given.signs.wound && !passed.includes("wound")) {
      return {question: "wound", reason: "what was hurt decides which other questions make sense"};
    }
    const alike = sameBarrier(verdict);
    if (alike.length) {
      return {question: null, reason: `${alike.join(" and ")} need the same barrier, so telling them apart changes nothing`};
    }
    const value = new Map(), worth = worthOf(verdict);
    for (const [name, {gain}] of worth) {
      const each = gain * signOf.get(name).chance / signOf.get(name).effort ** 0.25;
      if (!passed.includes(name) && each >= L.least_worth) value.set(name, each);
    }
    if (!value.size || settled(verdict, passed, worth)) {
      return {question: null, reason: "more answers would hardly change what to buy"};
    }
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
