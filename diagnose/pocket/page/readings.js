// What does one sign say of the things that it may be: an answer, shares, a figure with its uncertainty, bounds? As
// diagnose/culprits/readings.py and tables.py.

function makeReadings(t) {
  const tiny = t.limits.tiny;

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
      return Math.max(sign.level * inside / span + (1 - sign.level) * (1 - inside) / rest, tiny);
    });
  }

  function numberReading(x, step, sign) {
    return binReading(x.map((at, i) => at - step[i] / 2), x.map((at, i) => at + step[i] / 2), sign);
  }

  function misread(told, share) {
    const total = sumOf(told);
    return told.map(one => (1 - share) * one + share * (total - one) / Math.max(told.length - 1, 1));
  }

  /** As misread, but a choice is mistaken for another of its own kind only. */
  function misreadWithin(told, share, kinds) {
    const found = new Array(told.length);
    for (const kind of new Set(kinds)) {
      const alike = told.flatMap((_, i) => kinds[i] === kind ? [i] : []);
      misread(alike.map(i => told[i]), share).forEach((one, n) => { found[alike[n]] = one; });
    }
    return found;
  }

  function misreadNear(told, share) {
    return told.map((one, i) => (1 - share) * one + share * ((told[i - 1] ?? 0) + (told[i + 1] ?? 0)) / 2 + 0.002);
  }

  function pooled(readings) {
    if (readings.length === 1) return readings[0];
    const logs = readings.map(row => {
      const logged = row.map(one => Math.log(Math.max(one, tiny))), most = Math.max(...logged);
      return logged.map(one => one - most);
    });
    const told = logs.map(row => -Math.min(...row)), total = sumOf(told);
    const weights = told.map(one => total > 0 ? one / total : 1 / told.length);
    return logs[0].map((_, i) => Math.exp(logs.reduce((sum, row, r) => sum + weights[r] * row[i], 0)));
  }

  function sharesOf(sign) {
    return !sign ? {} : "choice" in sign ? {[sign.choice]: 1} : sign.shares ?? {};
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

  return {choiceReading, binReading, numberReading, misread, misreadWithin, misreadNear, pooled, sharesOf, gradient, densityOf};
}
