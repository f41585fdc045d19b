// Could each culprit reach so high, on the snow that lay, and bite through so thick a stem? As diagnose/culprits/reach.py.

function makeReach(t, readings) {
  const {choiceReading, numberReading, misread, misreadNear, sharesOf, gradient, densityOf} = readings;
  const C = t.of.length, L = t.limits, heights = L.heights, G = heights.length;
  const signOf = new Map(t.signs.map(word => [word.name, word]));

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

  return {depthsOf, heightLikelihoods, diameterLikelihoods};
}
