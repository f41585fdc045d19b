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
  const nothing = new Array(G).fill(0), fine = t.tables.place.at.map(row => row === null ? nothing : fineRows[row]);
  const reaches = t.of.map(k => t.culprits[k].reach), walks = reaches.map(reach => reach !== null);
  const under = t.of.map(k => t.culprits[k].under_snow), bends = t.of.map(k => t.culprits[k].bends);
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
  /** For one depth of snow, of each cause: where its damage is, and the share of it within reach. */
  function onSnow(depth) {
    if (!reachedAt.has(depth)) {
      if (reachedAt.size > 40) reachedAt.clear();
      const byReach = new Map();
      reachedAt.set(depth, fine.map((row, c) => {
        const reach = reaches[c];
        if (!byReach.has(reach)) {
          const edge = Math.max(L.edge_mm, L.edge_share * (reach ?? 0));
          byReach.set(reach, heights.map(one => within((reach ?? 1e9) + depth, one, edge)));
        }
        const inside = byReach.get(reach), density = under[c] ? belowSnow(row, depth) : walks[c] ? lifted(row, depth) : row;
        return {density: Float64Array.from(density), reached: Float64Array.from(density, (one, g) => one * inside[g])};
      }));
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

  const weighedAt = new Map();
  /** For one depth of snow, of each cause: how likely what was told of the height is, whole and within reach; kept, since
   *  most questions leave it as it is. */
  function weighedOn(depth, signs) {
    const key = JSON.stringify([depth, signs.wound_height_mm, signs.position, signs.snow_line]);
    if (!weighedAt.has(key)) {
      if (weighedAt.size > 400) weighedAt.clear();
      weighedAt.set(key, weighOn(depth, signs));
    }
    return weighedAt.get(key);
  }

  function weighOn(depth, signs) {
    const told = heightReading(signs), line = signs.snow_line, surface = line ? besideSurface(line, depth) : null;
    const seen = told ?? new Array(G).fill(1), read = surface ? seen.map((one, g) => one * surface[g]) : seen;
    let asStood = read;
    if (signs.position && !signs.wound_height_mm && depth > 0) {  // some count the place in words from the snow
      const fromTop = shifted(told, depth), up = t.snow.from_surface;
      asStood = read.map((one, g) => (1 - up) * one + up * fromTop[g] * (surface ? surface[g] : 1));
    }
    return onSnow(depth).map(({density, reached}, c) => {
      const mixed = walks[c] && !under[c] ? asStood : read;
      return {whole: dot(density, mixed), kept: dot(reached, mixed), bare: depth > 0 && under[c] ? dot(fine[c], read) : 0};
    });
  }

  function heightLikelihoods(signs, snowMm) {
    if (!signs.wound_height_mm && !signs.position && !signs.snow_line) return null;
    let depths = depthsOf(signs, snowMm);
    if (signs.snow_line && depths.some(([depth]) => depth > 0)) depths = depths.filter(([depth]) => depth > 0);
    const broken = brokenShare(signs.wound), free = new Array(C).fill(0), held = new Array(C).fill(0);
    for (const [depth, share] of depths) {
      weighedOn(depth, signs).forEach(({whole, kept, bare}, c) => {
        if (bends[c]) kept = broken * whole + (1 - broken) * kept;
        if (bare > whole) {
          kept = kept * bare / Math.max(whole, 1e-300);
          whole = bare;
        }
        free[c] += share * whole;
        held[c] += share * kept;
      });
    }
    return {raw: free.map((one, c) => t.tables.place.at[c] === null ? NaN : one),
            inside: free.map((one, c) => one > 0 ? held[c] / Math.max(one, 1e-300) : 1)};
  }

  const diameters = L.diameters, thick = gradient(diameters);
  const byThickness = t.numbers.end_diameter_mm.map(told => told && densityOf(told, diameters).map((one, i) => one * thick[i]));
  const evenThickness = diameters.map((one, i) => thick[i] / one), bitten = new Map();

  /** Share of animals that bite through each thickness, where half of them stop at `most`. */
  function bitesThrough(most) {
    if (!bitten.has(most)) bitten.set(most, diameters.map(one => within(Math.log(most), Math.log(one), L.edge_bite)));
    return bitten.get(most);
  }

  function diameterLikelihoods(signs) {
    if (!signs.end_diameter_mm) return null;
    const seen = numberReading(diameters, thick, signs.end_diameter_mm), severed = 1 - brokenShare(signs.wound);
    const raw = new Array(C).fill(NaN), inside = new Array(C).fill(1);
    for (let c = 0; c < C; c++) {
      const density = byThickness[c] ?? evenThickness, most = t.culprits[t.of[c]].severs;
      const whole = dot(density, seen);
      if (byThickness[c]) raw[c] = whole;
      if (most !== null) {
        const through = bitesThrough(most);
        inside[c] = density.reduce((sum, one, i) => sum + one * seen[i] * (severed * through[i] + (1 - severed)), 0)
          / Math.max(whole, 1e-300);
      }
    }
    return {raw, inside};
  }

  return {depthsOf, heightLikelihoods, diameterLikelihoods};
}
