// How likely are the traces beside the plant if each culprit made the wound, whoever else lives there? As
// diagnose/culprits/traces.py.

function makeTraces(t, {sharesOf}) {
  const K = t.culprits.length, L = t.limits, animal = t.culprits.map(one => one.animal);

  /** Chance of leaving no trace of a kind, of each culprit that is about. */
  const noneOf = (kind, end) => t.left[kind].rates[end].map((rate, k) => [animal[k] ? 1 - rate : 1, 0]);

  /** Likelihood of the traces under each culprit, and, of each kind in `each`, when that is missing too: the sums of
   *  inclusion and exclusion over the kinds found, with all their digits. */
  function sums(found, missing, each, end, background) {
    const clear = [1 - t.words.stray[end], 0], base = background.map(() => [1, 0]);
    let strays = [1, 0];
    for (const kind of missing) {
      noneOf(kind, end).forEach((one, k) => { base[k] = times(base[k], one); });
      strays = times(strays, clear);
    }
    const rows = found.map(kind => noneOf(kind, end)), further = [null, ...each.map(kind => noneOf(kind, end))];
    const absent = background.map(here => plus([1, 0], [-here, 0])), present = background.map(here => [here, 0]);
    const likelihood = further.map(() => background.map(() => [0, 0]));
    for (let set = 0; set < 2 ** found.length; set++) {
      let ofSet = base, stray = strays, odd = false;
      rows.forEach((row, i) => {
        if (!(set >> i & 1)) return;
        ofSet = ofSet.map((one, k) => times(one, row[k]));
        stray = times(stray, clear);
        odd = !odd;
      });
      further.forEach((row, i) => {
        const about = row === null ? ofSet : ofSet.map((one, k) => times(one, row[k]));
        const term = about.map((one, k) => plus(absent[k], times(present[k], one)));
        let everybody = row === null ? stray : times(stray, clear);
        for (const one of term) everybody = times(everybody, one);
        for (let k = 0; k < K; k++) {
          const told = animal[k] ? times(everybody, over(about[k], term[k])) : everybody;
          likelihood[i][k] = plus(likelihood[i][k], odd ? minus(told) : told);
        }
      });
    }
    return likelihood;
  }

  const asNumber = one => Math.max(one[0] + one[1], 1e-300);

  function weighTraces(found, missing, end, background) {
    return sums(found, missing, [], end, background)[0].map(asNumber);
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

  /** Choice -> likelihood of the traces under each culprit, of a question about them of which nothing is told yet. What is
   *  there and what is missing of a kind make up the whole, so a kind's being there is the rest. */
  function tracesAnswered(signs, word, about) {
    const kinds = word.choices.filter(choice => choice !== "none").map(choice => kindOf(word.name, choice));
    const total = new Map(word.choices.map(choice => [choice, new Array(K).fill(0)]));
    for (const [share, found, missing] of tracesTold(signs)) {
      const [whole, ...without] = sums(found, missing, kinds, 1, about[1]);
      without.forEach((row, i) => row.forEach((one, k) => {
        total.get(t.left[kinds[i]].choice)[k] += share * asNumber(plus(whole[k], minus(one)));
      }));
      weighTraces(found, [...missing, ...kinds], 1, about[1]).forEach((one, k) => { total.get("none")[k] += share * one; });
    }
    return total;
  }

  return {tracesOf, tracesAnswered};
}
