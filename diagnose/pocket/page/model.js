// Given the signs of one wound, how likely is each culprit? The same steps as diagnose/culprits in Python, on tables made
// from the same catalogue; tests hold both to each other. A sign is {choice}, {shares}, {found, complete},
// {value, sigma} or {low, high, level}. A case is {signs, month, snowMm}.

function makeModel(t) {
  const K = t.culprits.length, C = t.of.length, L = t.limits;
  const signOf = new Map(t.signs.map(word => [word.name, word]));
  const isTrace = name => L.traces.includes(name);
  const animal = t.culprits.map(one => one.animal);
  const keys = t.culprits.map(one => one.key);
  const readings = makeReadings(t), reach = makeReach(t, readings), {sharesOf} = readings;
  const {rawGroup, filled, oneGroup, toldOf, answeredSo} = makeLikelihood(t, readings, reach), {tracesOf, tracesAnswered} = makeTraces(t, readings);

  // ---- before the wound is looked at (prior.py, here.py) ----

  function seenThere(signs) {
    const found = new Set();
    for (const name of ["seen", "saliva_dna"]) {
      const sign = signs[name];
      if (!sign) continue;
      const choices = "choice" in sign ? [sign.choice] : sign.found ??
        Object.keys(sign.shares).filter(choice => sign.shares[choice] > 0);
      for (const choice of choices) {
        const members = signOf.get(name).members[choice] ?? [];
        if (members.length === 1) found.add(members[0]);
      }
    }
    return found;
  }

  function startOf(signs) {
    const seen = seenThere(signs), parts = t.where.parts;
    const rates = new Array(K).fill(0), about = [0, 1, 2].map(() => new Array(K).fill(0));
    for (const part of parts) {
      const lives = part.lives.map((status, k) => status === "absent" && seen.has(keys[k]) ? "doubtful" : status);
      const raw = part.common.map((worth, k) => worth * t.words.residence[lives[k]]), total = sumOf(raw);
      for (let k = 0; k < K; k++) {
        rates[k] += raw[k] / total / parts.length;
        if (!animal[k]) continue;
        const usual = lives[k] === "absent" || lives[k] === "doubtful" ? t.words.about[lives[k]]
          : inSetting(t.culprits[k], signs.setting);
        for (let end = 0; end < 3; end++) about[end][k] += usual[end] / parts.length;
      }
    }
    const other = keys.indexOf(L.not_listed);
    rates[other] = 0;
    const weighed = rates.map(rate => rate ** t.where.rates_power), listed = sumOf(weighed);
    for (let k = 0; k < K; k++) rates[k] = weighed[k] * (1 - t.where.not_listed) / listed;
    rates[other] = t.where.not_listed;
    return {rates, about};
  }

  function inSetting(culprit, setting) {
    const usual = t.words.about[culprit.about], shares = Object.entries(sharesOf(setting));
    if (!shares.length) return usual;
    return usual.map(one => shares.reduce((sum, [where, share]) =>
      sum + share * Math.max(one, culprit.about_where[where] ?? 0), 0));
  }

  // ---- all together (weighing.py, verdict.py) ----

  function weighedSigns(given) {
    if (!given.month || given.signs.season) return given.signs;
    const seasons = signOf.get("season").choices, now = seasons.indexOf(t.where.season_of[given.month - 1]);
    const guess = {};
    t.words.season_from_month.forEach((share, back) => { guess[seasons[(now - back + 4) % 4]] = share; });
    return {...given.signs, season: {shares: guess}};
  }

  /** A case with its wound weighed. */
  function bench(given) {
    const signs = weighedSigns(given), start = startOf(signs), snowMm = given.snowMm ?? null;
    const prior = t.of.map((k, c) => start.rates[k] * t.share[c]);
    const parts = new Map();
    for (const group of new Set(toldOf(signs).map(([name]) => signOf.get(name).group))) {
      const given = parts.get(signOf.get(group)?.kind_of), before = given ? prior.map((one, c) => one * given[c]) : prior;
      const weighed = oneGroup(group, toldOf(signs, group), signs, before, snowMm);
      if (weighed !== null) parts.set(group, weighed);
    }
    const traces = tracesOf(signs, 1, start.about);
    return {given, signs, start, prior, parts, snowMm, traces};
  }

  function madeBy(on, parts, traces) {
    const most = Math.max(Math.max(...traces), 1e-300);
    let weights = on.prior.map((one, c) => one * traces[t.of[c]] / most);
    for (const likelihood of parts.values()) {
      weights = weights.map((one, c) => one * likelihood[c]);
      const total = Math.max(sumOf(weights), 1e-300);
      weights = weights.map(one => one / total);
    }
    return toSumOne(weights);
  }

  function ofCulprits(made) {
    const found = new Array(K).fill(0);
    made.forEach((one, c) => { found[t.of[c]] += one; });
    return found;
  }

  function byCulprit(made) {
    return toSumOne(ofCulprits(made).map(one => Math.max(one, 1e-12)));
  }

  function byGroup(culprits) {
    const groups = {};
    culprits.forEach((share, k) => { groups[t.culprits[k].group] = (groups[t.culprits[k].group] ?? 0) + share; });
    return groups;
  }

  function likeliest(groups) {
    return Object.keys(groups).reduce((best, key) => groups[key] > groups[best] ? key : best);
  }

  function posterior(given) {
    const on = bench(given);
    return byCulprit(madeBy(on, on.parts, on.traces));
  }

  function lineage(group) {
    const found = [group];
    while (t.groups[found.at(-1)].of) found.push(t.groups[found.at(-1)].of);
    return found;
  }

  const parentOf = Object.fromEntries(t.culprits.map(one => [one.key, one.parent]));
  const nameOf = key => t.culprits.find(one => one.key === key)?.name ?? t.groups[key]?.name ?? key.replaceAll("_", " ");

  function above(key) {
    if (key in parentOf && parentOf[key] !== key) return parentOf[key];
    return key in t.groups ? lineage(key)[1] ?? null : null;
  }

  /** Every culprit and group with its share. */
  function chancesOf(culprits) {
    const chances = new Map(keys.map((key, k) => [key, culprits[k]]));
    culprits.forEach((share, k) => {
      for (const group of lineage(parentOf[keys[k]])) if (group !== keys[k]) chances.set(group, (chances.get(group) ?? 0) + share);
    });
    return chances;
  }

  function lowest(culprits, group, holds) {
    const chances = chancesOf(culprits), whole = chances.get(group);
    let name = group;
    for (;;) {
      let best = null;
      for (const [key, share] of chances) {
        if (key !== name && above(key) === name && (best === null || share > chances.get(best))) best = key;
      }
      if (best === null || chances.get(best) < holds * whole) return name;
      name = best;
    }
  }

  function leadingOf(culprits, groups, ends) {
    const ranked = Object.keys(groups).sort((a, b) => groups[b] - groups[a]), [first, second] = ranked;
    if (ends.some(end => end !== first) || groups[first] < t.words.lead_probability
        || groups[first] < t.words.lead_ratio * groups[second]) return null;
    const other = t.culprits.find(one => one.key === L.not_listed);
    return first === other.group ? null : lowest(culprits, first, L.holds);
  }

  function judge(given) {
    const on = bench(given), culprits = byCulprit(madeBy(on, on.parts, on.traces)), groups = byGroup(culprits);
    const hasTraces = Object.keys(given.signs).some(isTrace);
    const ends = [0, 2].map(end => !hasTraces ? likeliest(groups)
      : likeliest(byGroup(byCulprit(madeBy(on, on.parts, tracesOf(on.signs, end, on.start.about))))));
    return {given, on, culprits, groups, ends, leading: leadingOf(culprits, groups, ends)};
  }

  function shareOf(culprits, name) {
    const k = keys.indexOf(name);
    if (k >= 0) return culprits[k];
    return culprits.reduce((sum, share, at) => lineage(parentOf[keys[at]]).includes(name) ? sum + share : sum, 0);
  }

  const logit = share => { const s = Math.min(Math.max(share, 1e-9), 1 - 1e-9); return Math.log(s / (1 - s)); };

  /** What each sign does to the likeliest culprit or group, as change of its log odds [nat], strongest first. */
  function reasons(verdict) {
    const target = verdict.leading ?? firstOf(verdict), whole = logit(shareOf(verdict.culprits, target));
    return Object.keys(verdict.given.signs).map(name => {
      const signs = {...verdict.given.signs};
      delete signs[name];
      return {sign: name, weight: whole - logit(shareOf(posterior({...verdict.given, signs}), target))};
    }).sort((a, b) => Math.abs(b.weight) - Math.abs(a.weight));
  }

  function firstOf(verdict) {
    return keys[verdict.culprits.reduce((best, share, k) => share > verdict.culprits[best] ? k : best, 0)];
  }

  /** [culprit or group, share], likeliest first, each group at the level that the signs support. */
  function ranked(verdict) {
    const chances = chancesOf(verdict.culprits);
    return Object.entries(verdict.groups).map(([group, share]) => {
      const name = lowest(verdict.culprits, group, L.all_but);
      return [name, name === group ? share : chances.get(name)];
    }).sort((a, b) => b[1] - a[1]);
  }

  /** What follows from a place that was chosen, as where_of of tables.py. */
  function whereOf(code) {
    const {letters, levels, residence, all} = t.places, one = all.find(each => each.code === code);
    if (!one) return null;
    const part = {common: [...one.common].map(letter => levels[letters.indexOf(letter)]),
                  lives: [...one.lives].map(letter => residence[letters.indexOf(letter)])};
    const seasons = signOf.get("season").choices, from = one.south ? 2 : 0, members = signOf.get("seen").members;
    return {name: one.name, words: one.name + one.words, parts: [part], not_listed: one.not_listed, rates_power: 1,
            winters: one.winters, given: code,
            elsewhere: Object.keys(members).filter(choice => members[choice].length
              && members[choice].every(key => part.lives[keys.indexOf(key)] === "absent")),
            season_of: Array.from({length: 12}, (_, month) => seasons[(Math.floor((month + 1) % 12 / 3) + from) % 4])};
  }

  return {t, K, C, keys, signOf, isTrace, judge, posterior, byGroup, likeliest, whereOf, reasons, ranked, firstOf, shareOf, nameOf, bench, madeBy, ofCulprits,
          tracesAnswered, rawGroup, filled, toldOf, answeredSo, depthsOf: reach.depthsOf};
}
