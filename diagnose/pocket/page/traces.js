// How likely are the traces beside the plant if each culprit made the wound, whoever else lives there? As
// diagnose/culprits/traces.py.

function makeTraces(t, {sharesOf}) {
  const K = t.culprits.length, L = t.limits, animal = t.culprits.map(one => one.animal);

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

  return {tracesOf};
}
