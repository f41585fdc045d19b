// What must a barrier at one plant be to stop these culprits? As diagnose/protect/requirement.py.

function makeBarrier(model) {
  const b = model.t.barrier, needKeys = Object.keys(b.needs);

  const rounded = share => Math.round(share * 10 ** b.digits);

  /** The likeliest culprit of each need, with what all culprits of that need have together. */
  function byNeed(verdict) {
    const found = new Map();
    model.keys.forEach((key, k) => {
      const need = b.need_of[key];
      if (!need) return;
      const one = found.get(need) ?? {key, most: -1, share: 0};
      if (rounded(verdict.culprits[k]) > one.most) Object.assign(one, {key, most: rounded(verdict.culprits[k])});
      one.share += verdict.culprits[k];
      found.set(need, one);
    });
    return new Map([...found.values()].map(one => [one.key, one.share]));
  }

  function counted(shares) {
    const ranked = [...shares.keys()].sort((x, y) => rounded(shares.get(y)) - rounded(shares.get(x)) || (x < y ? -1 : 1));
    return ranked.filter((key, place) => shares.get(key) >= b.likely || place === 0);
  }

  const pick = (met, name, better) => {
    const entries = met.map(key => b.needs[key][name]).filter(Boolean);
    if (!entries.length) return null;
    const best = entries.reduce((one, other) => better(other.value, one.value) ? other : one);
    return {mm: best.value, source: best.source, tag: best.tag, note: best.note ?? ""};
  };
  const least = (met, name) => pick(met, name, (x, y) => x < y), most = (met, name) => pick(met, name, (x, y) => x > y);

  function top(met, snowMm) {
    let best = null;
    for (const key of met) {
      const {top: bare, snow_margin: margin} = b.needs[key];
      const overSnow = snowMm > 0 && margin.value > 0 ? snowMm + margin.value : 0;
      const one = overSnow > bare.value ? {mm: overSnow, source: margin.source, tag: margin.tag,
        note: `${margin.value} mm above ${Math.round(snowMm)} mm of snow${bare.note ? `; ${bare.note}` : ""}`}
        : {mm: bare.value, source: bare.source, tag: bare.tag, note: bare.note};
      if (best === null || one.mm > best.mm) best = one;
    }
    return best;
  }

  function require(verdict, snowMm = 0) {
    const culprits = counted(byNeed(verdict));
    const keys = [...new Set(culprits.map(key => b.need_of[key]))].sort((x, y) => needKeys.indexOf(x) - needKeys.indexOf(y));
    const met = keys.filter(key => b.needs[key].kind !== "none");
    // likeliest first, as what is told to be done instead
    const helpless = [...new Set(culprits.map(key => b.need_of[key]))].filter(key => b.needs[key].kind === "none");
    const kind = met.map(key => b.needs[key].kind).reduce((one, other) =>
      one === null || b.stoutness.indexOf(other) > b.stoutness.indexOf(one) ? other : one, null);
    const coarse = met.filter(key => !b.fine_kinds.includes(b.needs[key].kind));
    const fine = coarse.length ? met.filter(key => b.fine_kinds.includes(b.needs[key].kind)) : [];
    const main = coarse.length ? coarse : met;
    const figures = {
      "largest opening": least(main, "opening"), "least height": top(main, snowMm),
      "finer mesh at the base": least(fine, "opening"), "height of the finer mesh": top(fine, snowMm),
      "depth in the ground": most(met, "base"), "stand-off from the stem": most(met, "stand_off"), "wire at least": most(main, "wire"),
    };
    const deepest = met.reduce((one, other) => one === null || b.needs[other].base.value > b.needs[one].base.value ? other : one, null);
    const each = (list, name) => list.map(key => b.needs[key][name]).filter(Boolean);
    return {
      kind, culprits, stops: each(met, "name"), unstopped: each(helpless, "name"), instead: each(helpless, "advice"),
      figures: Object.fromEntries(Object.entries(figures).filter(([, figure]) => figure !== null)),
      base: deepest === null ? "" : b.needs[deepest].base.treatment, area: each(met, "area"), fails: each(met, "fails"),
      also: [...new Set(each(met, "also"))], leavesOpen: leftOpen(met, figures, snowMm),
      cautions: cautionsFor(["any", ...(kind === null ? [] : [kind]), ...keys], culprits),
      stakes: b.staked.includes(kind) ? b.stakes : [],
    };
  }

  function cautionsFor(called, culprits) {
    const wanted = new Set(called);
    if (culprits.some(key => b.protected.includes(key))) wanted.add("protected");
    return b.cautions.filter(one => one.when.some(when => wanted.has(when))).map(one => one.text);
  }

  function leftOpen(met, figures, snowMm) {
    const opening = figures["largest opening"], height = figures["least height"];
    if (opening === null || height === null) return [];
    const fineOpening = figures["finer mesh at the base"], fineTop = figures["height of the finer mesh"];
    const kinds = new Set(met.map(key => b.needs[key].kind)), depth = Math.max(...met.map(key => b.needs[key].base.value));
    return b.common.filter(key => {
      const need = b.needs[key];
      if (met.includes(key)) return false;
      const reaches = top([key], snowMm);
      const reached = fineOpening !== null && fineTop !== null && fineTop.mm >= reaches.mm;
      const mesh = reached ? fineOpening : opening;
      return !(mesh.mm <= need.opening.value && height.mm >= reaches.mm && depth >= need.base.value
               && (b.fine_kinds.includes(need.kind) || kinds.has(need.kind)));
    }).map(key => b.needs[key].name);
  }

  return {require};
}
