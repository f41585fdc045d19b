// How likely are the signs of the wound itself, group by group, under each cause? As diagnose/culprits/likelihood.py.

function makeLikelihood(t, readings, reach) {
  const {choiceReading, binReading, numberReading, misread, misreadWithin, pooled, sharesOf, gradient, densityOf} = readings;
  const C = t.of.length, L = t.limits, keys = t.culprits.map(one => one.key);
  const signOf = new Map(t.signs.map(word => [word.name, word]));

  const even = t.looks, cutLooks = even.cut, markLooks = even.marks;
  const shares = (weights, choices) => toSumOne(choices.map(choice => weights[choice] ?? 0));

  /** (C) mean of a table's rows with a reading; NaN for a cause without a row. */
  function withRows(table, reading) {
    const told = table.rows.map(row => dot(row, reading));
    return table.at.map(row => row === null ? NaN : told[row]);
  }

  function cutClasses(told) {
    const classes = Object.values(cutLooks.classes), byAbout = new Map();
    for (const [name, sign] of told) {
      let reading;
      if (name === "raggedness") {
        if (told.some(([other]) => other === "end_form")) continue;
        const edges = cutLooks.ragged_edges, seen = binReading(edges.slice(0, -1), edges.slice(1), sign);
        const form = cutLooks.form_choices.map(one => dot(toSumOne(cutLooks.ragged[one]), seen));
        reading = classes.map(entry => dot(shares(entry.form, cutLooks.form_choices), form));
      } else if (name === "cut_form" || name === "end_form") {
        const form = formReading(name, sign);
        reading = classes.map(entry => dot(shares(entry.form, cutLooks.form_choices), form));
      } else {
        const slope = slopeReading(name, sign), which = name === "true_slope_deg" ? "true_slope" : "seen_slope";
        reading = classes.map(entry => dot(toSumOne(entry[which]), slope));
      }
      const about = signOf.get(name).about;
      byAbout.set(about, [...(byAbout.get(about) ?? []), reading]);
    }
    const product = classes.map(() => 1);
    for (const alike of byAbout.values()) pooled(alike).forEach((one, i) => { product[i] *= one; });
    return product;
  }

  function formReading(name, sign) {
    if (name === "cut_form") return misread(choiceReading(signOf.get(name), sign), cutLooks.misread);
    const three = ["clean", "half", "torn"], seen = shares(sharesOf(sign), three);
    return cutLooks.form_choices.map(form => dot(shares(cutLooks.photo_form[form], three), seen));
  }

  function slopeReading(name, sign) {
    const edges = cutLooks.slope_edges, lows = edges.slice(0, -1), highs = edges.slice(1);
    if (name !== "cut_slant") return binReading(lows, highs, sign);
    const told = misread(choiceReading(signOf.get(name), sign), cutLooks.misread);
    const spans = Object.values(cutLooks.slant_of_slope);
    return lows.map((low, i) => {
      const middle = (low + highs[i]) / 2;
      return spans.reduce((sum, [from, to], at) => sum + (from <= middle && middle < to ? told[at] : 0), 0);
    });
  }

  function markClasses(told) {
    return pooled(told.map(([name, sign]) => {
      if (name === "groove_look") return misread(choiceReading(signOf.get(name), sign), markLooks.misread);
      const edges = markLooks.spacing_edges, spacing = binReading(edges.slice(0, -1), edges.slice(1), sign);
      return Object.values(markLooks.classes).map(entry => dot(toSumOne(entry.spacing), spacing));
    }));
  }

  function typed(sign) {
    const found = new Array(C).fill(0), members = signOf.get("saliva_dna").members;
    for (const [choice, share] of Object.entries(sharesOf(sign))) {
      for (let c = 0; c < C; c++) {
        found[c] += share * (members[choice].includes(keys[t.of[c]]) ? 1 - L.wrongly_typed : L.wrongly_typed / 20);
      }
    }
    return found;
  }

  const grids = new Map();
  function gridOf(word) {
    if (!grids.has(word.name)) {
      const last = L.grid - 1, inLog = word.low > 0;
      const [from, to] = inLog ? [Math.log(word.low), Math.log(word.high)] : [word.low, word.high];
      const at = Array.from({length: L.grid}, (_, i) => from + (to - from) * i / last);
      const x = inLog ? at.map(Math.exp) : at, steps = gradient(x);
      grids.set(word.name, {x, steps, density: t.numbers[word.name].map(one => one && densityOf(one, x))});
    }
    return grids.get(word.name);
  }

  function ownTable(name, sign) {
    const word = signOf.get(name);
    if (t.tables[name]) {
      const told = choiceReading(word, sign);
      return withRows(t.tables[name], word.kind_of
        ? misreadWithin(told, word.misread, word.choices.map(choice => word.kinds[choice])) : misread(told, word.misread));
    }
    const {x, steps, density} = gridOf(word);
    const seen = numberReading(x, steps, sign).map((one, i) => one * steps[i]);
    return density.map(one => one === null ? NaN : dot(one, seen));
  }

  function pooledWhereKnown(readings) {
    if (readings.length === 1) return readings[0];
    const whole = readings.map(row => {
      const there = row.filter(one => !Number.isNaN(one)), mean = sumOf(there) / there.length;
      return row.map(one => Number.isNaN(one) ? mean : one);
    });
    return pooled(whole).map((one, c) => readings.every(row => Number.isNaN(row[c])) ? NaN : one);
  }

  /** {raw: (C), inside: (C) or 1} of one group's signs; null where nothing is told. */
  function rawGroup(group, told, signs, snowMm) {
    if (group === "height") return reach.heightLikelihoods(signs, snowMm);
    if (group === "end_diameter_mm") return reach.diameterLikelihoods(signs);
    if (group === "cut") return {raw: withRows(t.tables.cut, cutClasses(told)), inside: null};
    if (group === "marks") return {raw: withRows(t.tables.marks, markClasses(told)), inside: null};
    if (group === "saliva_dna") return {raw: typed(told[0][1]), inside: null};
    return {raw: pooledWhereKnown(told.map(([name, sign]) => ownTable(name, sign))), inside: null};
  }

  function filled(raw, prior, power) {
    const has = raw.map(one => !Number.isNaN(one));
    const scale = Math.max(...raw.filter((_, c) => has[c]));
    if (!(scale > 0) || !has.some(Boolean)) return raw.map(() => 1);
    const lifted = raw.map((one, c) => has[c] ? Math.pow(one / scale, power) : 0);
    let weight = 0, sum = 0;
    for (let c = 0; c < C; c++) if (has[c]) { weight += prior[c]; sum += prior[c] * lifted[c]; }
    const mean = weight > 0 ? sum / weight : sumOf(lifted) / has.filter(Boolean).length;
    return lifted.map((one, c) => has[c] ? one : mean);
  }

  function oneGroup(group, told, signs, prior, snowMm) {
    const found = rawGroup(group, told, signs, snowMm);
    if (found === null) return null;
    if (group === "saliva_dna") return found.raw;
    const likely = filled(found.raw, prior, t.words.strength);
    return found.inside === null ? likely : likely.map((one, c) => one * found.inside[c]);
  }

  /** The signs, and what the finer among them tell of the coarser: who knows a pine has told of a conifer. */
  function withWhatFollows(signs) {
    const found = {...signs};
    for (const [name, sign] of Object.entries(signs)) {
      const word = signOf.get(name);
      if (!word?.kind_of) continue;
      const shares = {};
      for (const [choice, share] of Object.entries(sharesOf(sign))) {
        shares[word.kinds[choice]] = (shares[word.kinds[choice]] ?? 0) + share;
      }
      found[word.kind_of] = {shares};
    }
    return found;
  }

  /** 1 for a sign that tells another more finely, which is weighed after it and given it. */
  const coarserOf = name => signOf.get(name)?.kind_of ? 1 : 0;

  function toldOf(given, group) {
    const signs = withWhatFollows(given);
    return Object.keys(signs).sort((a, b) => coarserOf(a) - coarserOf(b) || (a < b ? -1 : 1)).map(name => [name, signs[name]]).filter(([name]) => {
      const word = signOf.get(name);
      return word && !L.traces.includes(name) && word.weighed && !answeredSo(signs, word.void_where) && (group === undefined || word.group === group);
    });
  }

  /** Was one of these answers given, more likely than not? answers: sign -> choices. */
  function answeredSo(signs, answers) {
    return Object.entries(answers).some(([name, choices]) => {
      const sign = signs[name];
      if (!sign) return false;
      if ("choice" in sign) return choices.includes(sign.choice);
      return "shares" in sign && choices.reduce((sum, choice) => sum + (sign.shares[choice] ?? 0), 0) > 0.5;
    });
  }

  return {rawGroup, filled, oneGroup, toldOf, answeredSo};
}
