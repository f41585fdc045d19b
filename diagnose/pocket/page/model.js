// Given the signs of one wound, how likely is each culprit? The same steps as diagnose/culprits in Python, on tables made
// from the same catalogue; tests hold both to each other. A sign is {choice}, {shares}, {found, complete},
// {value, sigma} or {low, high, level}. A case is {signs, month, snowMm, seasonAsked}.

function makeModel(t) {
  const K = t.culprits.length, C = t.of.length, L = t.limits;
  const signOf = new Map(t.signs.map(word => [word.name, word]));
  const isTrace = name => L.traces.includes(name);
  const animal = t.culprits.map(one => one.animal);
  const heights = L.heights, G = heights.length;
  const keys = t.culprits.map(one => one.key);

  // ---- what a reading says (readings.py) ----

  function choiceReading(word, sign) {
    if ("choice" in sign) return word.choices.map(choice => choice === sign.choice ? 1 : 0);
    return word.choices.map(choice => sign.shares[choice] ?? 0);
  }

  function binReading(low, high, sign) {
    const width = low.map((edge, i) => high[i] - edge);
    if ("value" in sign) {
      const sigma = Math.max(sign.sigma, 1e-3 * Math.min(...width));
      return width.map((wide, i) => {
        const upper = (high[i] - sign.value) / sigma, lower = (low[i] - sign.value) / sigma;
        return (lower > 0 ? below(-lower) - below(-upper) : below(upper) - below(lower)) / wide;
      });
    }
    const span = Math.max(sign.high - sign.low, 1e-6);
    const rest = Math.max(Math.max(...high) - Math.min(...low) - span, 1e-6);
    return width.map((wide, i) => {
      const inside = Math.max(Math.min(high[i], sign.low + span) - Math.max(low[i], sign.low), 0) / wide;
      return Math.max(sign.level * inside / span + (1 - sign.level) * (1 - inside) / rest, L.tiny);
    });
  }

  function numberReading(x, step, sign) {
    return binReading(x.map((at, i) => at - step[i] / 2), x.map((at, i) => at + step[i] / 2), sign);
  }

  function misread(told, share) {
    const total = sumOf(told);
    return told.map(one => (1 - share) * one + share * (total - one) / Math.max(told.length - 1, 1));
  }

  function misreadNear(told, share) {
    return told.map((one, i) => (1 - share) * one + share * ((told[i - 1] ?? 0) + (told[i + 1] ?? 0)) / 2 + 0.002);
  }

  function pooled(readings) {
    if (readings.length === 1) return readings[0];
    const logs = readings.map(row => {
      const logged = row.map(one => Math.log(Math.max(one, L.tiny))), most = Math.max(...logged);
      return logged.map(one => one - most);
    });
    const told = logs.map(row => -Math.min(...row)), total = sumOf(told);
    const weights = told.map(one => total > 0 ? one / total : 1 / told.length);
    return logs[0].map((_, i) => Math.exp(logs.reduce((sum, row, r) => sum + weights[r] * row[i], 0)));
  }

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

  function sharesOf(sign) {
    return !sign ? {} : "choice" in sign ? {[sign.choice]: 1} : sign.shares ?? {};
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
    const listed = sumOf(rates);
    for (let k = 0; k < K; k++) rates[k] *= (1 - t.where.not_listed) / listed;
    rates[other] = t.where.not_listed;
    return {rates, about};
  }

  function inSetting(culprit, setting) {
    const usual = t.words.about[culprit.about], shares = Object.entries(sharesOf(setting));
    if (!shares.length) return usual;
    return usual.map(one => shares.reduce((sum, [where, share]) =>
      sum + share * Math.max(one, culprit.about_where[where] ?? 0), 0));
  }

  // ---- the wound (likelihood.py) ----

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

  function gradient(x) {
    return x.map((_, i) => i === 0 ? x[1] - x[0] : i === x.length - 1 ? x[i] - x[i - 1] : (x[i + 1] - x[i - 1]) / 2);
  }

  function densityOf(told, x) {
    const span = told.in_log ? Math.log(told.high / told.low) : told.high - told.low;
    return x.map(one => {
      const at = told.in_log ? Math.log(one) : one;
      const parts = told.middles.map((middle, m) => Math.exp(-0.5 * ((at - middle) / told.spreads[m]) ** 2)
        / (told.spreads[m] * Math.sqrt(2 * Math.PI)));
      return (told.in_log ? 1 / one : 1) * ((1 - told.even) * sumOf(parts) / parts.length + told.even / span);
    });
  }

  function ownTable(name, sign) {
    const word = signOf.get(name);
    if (t.tables[name]) return withRows(t.tables[name], misread(choiceReading(word, sign), word.misread));
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
    if (group === "height") return heightLikelihoods(signs, snowMm);
    if (group === "end_diameter_mm") return diameterLikelihoods(signs);
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

  function toldOf(signs, group) {
    return Object.keys(signs).sort().map(name => [name, signs[name]]).filter(([name]) => {
      const word = signOf.get(name);
      return word && !isTrace(name) && word.weighed && (group === undefined || word.group === group);
    });
  }

  // ---- reach (reach.py) ----

  function depthsOf(signs, snowMm) {
    if (snowMm !== null && snowMm !== undefined) return [[snowMm, 1]];
    const states = Object.keys(t.snow.depth_mm);
    let share;
    if (signs.past_snow) {
      share = misread(choiceReading(signOf.get("past_snow"), signs.past_snow), t.snow.misread);
    } else {
      const seasons = signOf.get("season").choices;
      const weights = toSumOne(signs.season ? choiceReading(signOf.get("season"), signs.season) : seasons.map(() => 1));
      share = states.map((_, s) => seasons.reduce((sum, season, i) => sum + weights[i]
        * Object.entries(t.where.winters).reduce((part, [kind, often]) => part + often * t.snow.lying[kind][season][s], 0), 0));
    }
    share = toSumOne(share);
    return states.flatMap((state, s) => t.snow.depth_mm[state].map(depth => [depth, share[s] / t.snow.depth_mm[state].length]));
  }

  const zoneEdges = t.looks.place.zone_edges;
  const firstFrom = value => { const at = heights.findIndex(one => one >= value); return at < 0 ? G : at; };
  const zoneAt = heights.map(one => {
    const at = zoneEdges.findIndex(edge => edge >= one);
    return Math.min(Math.max((at < 0 ? zoneEdges.length : at) - 1, 0), zoneEdges.length - 2);
  });
  const fineRows = t.tables.place.rows.map(row => zoneAt.map(zone => row[zone] * (L.step_mm / (zoneEdges[zone + 1] - zoneEdges[zone]))));
  const nothing = new Array(G).fill(0);
  const fine = t.tables.place.at.map(row => row === null ? nothing : fineRows[row]);
  const walks = t.of.map(k => t.culprits[k].reach !== null), under = t.of.map(k => t.culprits[k].under_snow);
  const bends = t.of.map(k => t.culprits[k].bends);
  const stepsUp = depth => {  // as Python rounds: a half goes to the even step
    const exact = depth / L.step_mm, floor = Math.floor(exact);
    return exact - floor === 0.5 ? floor + floor % 2 : Math.round(exact);
  };

  function lifted(row, depth) {
    const steps = stepsUp(depth), ground = firstFrom(0);
    if (steps === 0) return row;
    return row.map((one, g) => g < ground ? one : g < ground + steps ? 0 : row[g - steps]);
  }

  function belowSnow(row, depth) {
    if (depth <= 0) return row;
    const foot = firstFrom(150), top = Math.max(firstFrom(depth + 150), foot + 1);
    const rest = sumOf(row.slice(foot));
    return row.map((one, g) => g < foot ? one : g < top ? rest / (top - foot) : 0);
  }

  const reachedAt = new Map();
  /** Per cause, for one depth of snow: where its damage is, and the share of it within reach. */
  function onSnow(depth) {
    if (!reachedAt.has(depth)) {
      if (reachedAt.size > 40) reachedAt.clear();
      const byReach = new Map();
      const inside = t.of.map(k => {
        const reach = t.culprits[k].reach;
        if (!byReach.has(reach)) {
          const edge = Math.max(L.edge_mm, L.edge_share * (reach ?? 0));
          byReach.set(reach, heights.map(one => within((reach ?? 1e9) + depth, one, edge)));
        }
        return byReach.get(reach);
      });
      const density = fine.map((row, c) => under[c] ? belowSnow(row, depth) : walks[c] ? lifted(row, depth) : row);
      reachedAt.set(depth, {density: density.map(row => Float64Array.from(row)),
                            reached: density.map((row, c) => Float64Array.from(row, (one, g) => one * inside[c][g]))});
    }
    return reachedAt.get(depth);
  }

  function shifted(reading, depth) {
    const steps = stepsUp(depth);
    return reading.map((_, g) => g < steps ? 0 : reading[g - steps]);
  }

  function besideSurface(line, depth) {
    const said = misread(choiceReading(signOf.get("snow_line"), line), t.snow.misread);
    return heights.map(one => depth <= one ? said[0] : said[1]);
  }

  function brokenShare(wound) {
    if (!wound) return 0;
    const told = sharesOf(wound);
    return L.broken.reduce((sum, kind) => sum + (told[kind] ?? 0), 0);
  }

  function heightReading(signs) {
    let found = null;
    if (signs.wound_height_mm) found = numberReading(heights, heights.map(() => L.step_mm), signs.wound_height_mm);
    if (signs.position) {
      const answered = misreadNear(choiceReading(signOf.get("position"), signs.position), t.looks.place.misread);
      found = zoneAt.map((zone, g) => answered[zone] * (found === null ? 1 : found[g]));
    }
    return found;
  }

  function heightLikelihoods(signs, snowMm) {
    let seen = heightReading(signs);
    const line = signs.snow_line;
    if (seen === null && !line) return null;
    let depths = depthsOf(signs, snowMm);
    const fromSurface = signs.position && !signs.wound_height_mm ? seen : null;
    seen ??= new Array(G).fill(1);
    if (line && depths.some(([depth]) => depth > 0)) depths = depths.filter(([depth]) => depth > 0);
    const broken = brokenShare(signs.wound), free = new Array(C).fill(0), held = new Array(C).fill(0);
    for (const [depth, share] of depths) {
      const {density, reached} = onSnow(depth);
      const surface = line ? besideSurface(line, depth) : null;
      const read = surface ? seen.map((one, g) => one * surface[g]) : seen;
      const fromTop = fromSurface !== null && depth > 0
        ? shifted(fromSurface, depth).map((one, g) => one * (surface ? surface[g] : 1)) : null;
      const up = t.snow.from_surface;
      const asStood = fromTop ? read.map((one, g) => (1 - up) * one + up * fromTop[g]) : read;
      for (let c = 0; c < C; c++) {
        const mixed = walks[c] && !under[c] ? asStood : read;
        let whole = dot(density[c], mixed), kept = dot(reached[c], mixed);
        if (bends[c]) kept = broken * whole + (1 - broken) * kept;
        if (depth > 0 && under[c]) {
          const bare = dot(fine[c], read);
          if (bare > whole) {
            kept = kept * bare / Math.max(whole, 1e-300);
            whole = bare;
          }
        }
        free[c] += share * whole;
        held[c] += share * kept;
      }
    }
    return {raw: free.map((one, c) => t.tables.place.at[c] === null ? NaN : one),
            inside: free.map((one, c) => one > 0 ? held[c] / Math.max(one, 1e-300) : 1)};
  }

  const diameters = L.diameters, thick = gradient(diameters);
  const byThickness = t.numbers.end_diameter_mm.map(told => told && densityOf(told, diameters).map((one, i) => one * thick[i]));
  const evenThickness = diameters.map((one, i) => thick[i] / one);

  function diameterLikelihoods(signs) {
    if (!signs.end_diameter_mm) return null;
    const seen = numberReading(diameters, thick, signs.end_diameter_mm), severed = 1 - brokenShare(signs.wound);
    const raw = new Array(C).fill(NaN), inside = new Array(C).fill(1);
    for (let c = 0; c < C; c++) {
      const density = byThickness[c] ?? evenThickness, most = t.culprits[t.of[c]].severs;
      const whole = dot(density, seen);
      if (byThickness[c]) raw[c] = whole;
      if (most !== null) {
        const cut = diameters.map(one => severed * within(Math.log(most), Math.log(one), L.edge_bite) + (1 - severed));
        inside[c] = density.reduce((sum, one, i) => sum + one * seen[i] * cut[i], 0) / Math.max(whole, 1e-300);
      }
    }
    return {raw, inside};
  }

  // ---- traces (traces.py) ----

  function weighTraces(found, missing, end, background) {
    const none = kind => t.left[kind].rates[end].map((rate, k) => [animal[k] ? 1 - rate : 1, 0]);
    const clear = [1 - t.words.stray[end], 0], base = background.map(() => [1, 0]);
    let strays = [1, 0];
    for (const kind of missing) {
      none(kind).forEach((one, k) => { base[k] = times(base[k], one); });
      strays = times(strays, clear);
    }
    const rows = found.map(none), likelihood = background.map(() => [0, 0]);
    for (let set = 0; set < 2 ** found.length; set++) {
      let about = base, stray = strays, odd = false;
      rows.forEach((row, i) => {
        if (!(set >> i & 1)) return;
        about = about.map((one, k) => times(one, row[k]));
        stray = times(stray, clear);
        odd = !odd;
      });
      const term = about.map((one, k) => plus(plus([1, 0], [-background[k], 0]), times([background[k], 0], one)));
      let everybody = stray;
      for (const one of term) everybody = times(everybody, one);
      for (let k = 0; k < K; k++) {
        const told = animal[k] ? times(everybody, over(about[k], term[k])) : everybody;
        likelihood[k] = plus(likelihood[k], odd ? minus(told) : told);
      }
    }
    return likelihood.map(one => Math.max(one[0] + one[1], 1e-300));
  }

  function kindOf(sign, choice) {
    return t.left.findIndex(one => one.sign === sign && one.choice === choice);
  }

  /** Every way to read the traces: [share, kinds found, kinds looked for and missing]. */
  function tracesTold(signs) {
    let ways = [[1, [], []]];
    for (const name of L.traces) {
      const sign = signs[name];
      if (!sign) continue;
      const every = t.left.map((one, kind) => one.sign === name ? kind : -1).filter(kind => kind >= 0);
      let told;
      if ("found" in sign) {
        const found = sign.found.map(choice => kindOf(name, choice));
        if (found.length > L.most_kinds) throw new Error(`more than ${L.most_kinds} kinds of traces at once are not weighed`);
        told = [[1, found, sign.complete ? every.filter(kind => !found.includes(kind)) : []]];
      } else {
        told = Object.entries(sharesOf(sign)).filter(([, share]) => share > 0).map(([choice, share]) =>
          choice === "none" ? [share, [], every] : [share, [kindOf(name, choice)], []]);
      }
      ways = ways.flatMap(([a, f, m]) => told.map(([b, found, missing]) => [a * b, [...f, ...found], [...m, ...missing]]));
    }
    return ways;
  }

  function tracesOf(signs, end, about) {
    const total = new Array(K).fill(0);
    for (const [share, found, missing] of tracesTold(signs)) {
      weighTraces(found, missing, end, about[end]).forEach((one, k) => { total[k] += share * one; });
    }
    return total;
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
      const weighed = oneGroup(group, toldOf(signs, group), signs, prior, snowMm);
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

  return {t, K, C, keys, signOf, isTrace, judge, posterior, reasons, ranked, firstOf, shareOf, nameOf, bench, madeBy, ofCulprits,
          tracesOf, rawGroup, filled, toldOf, depthsOf};
}
