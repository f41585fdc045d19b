// What Python's libraries bring along and a browser does not: the normal distribution, and sums that lose no digits.

/** Chance that a standard normal number lies below x (DLMF 7.6.2 near the middle, 7.9.1 in the tails). */
function below(x) {
  return 0.5 * erfc(-x / Math.SQRT2);
}

function erfc(x) {
  if (x < 0) return 2 - erfc(-x);
  if (x > 27) return 0;  // smaller than any number of this machine
  const bell = Math.exp(-x * x) / Math.sqrt(Math.PI);
  if (x < 2) {
    let term = 2 * x * bell, sum = term;
    for (let n = 1; term > 1e-17 * sum; n++) {
      term *= 2 * x * x / (2 * n + 1);
      sum += term;
    }
    return 1 - sum;
  }
  let tail = 0;
  for (let n = 120; n > 0; n--) tail = n / 2 / (x + tail);
  return bell / (x + tail);
}

/** Share of animals whose limit lies above x, with a soft edge. */
function within(upper, x, edge) {
  return below((upper - x) / edge);
}

function sumOf(row) {
  let total = 0;
  for (const each of row) total += each;
  return total;
}

function dot(a, b) {
  let total = 0;
  for (let i = 0; i < a.length; i++) total += a[i] * b[i];
  return total;
}

function toSumOne(row) {
  const total = sumOf(row);
  return Array.from(row, each => each / total);
}

// Numbers of twice the digits, as [high, low]: inclusion and exclusion subtracts numbers that are nearly equal, for which
// Python takes 80 bits. Sums and products without error are Knuth's and Dekker's (T. J. Dekker, Numerische Mathematik 18,
// 1971, 224-242).
const SPLIT = 134217729;  // 2 ** 27 + 1

function exactSum(a, b) {
  const sum = a + b, back = sum - a;
  return [sum, (a - (sum - back)) + (b - back)];
}

function exactProduct(a, b) {
  const product = a * b;
  const ca = SPLIT * a, ah = ca - (ca - a), al = a - ah;
  const cb = SPLIT * b, bh = cb - (cb - b), bl = b - bh;
  return [product, ((ah * bh - product) + ah * bl + al * bh) + al * bl];
}

function plus(a, b) {
  const [sum, rest] = exactSum(a[0], b[0]);
  return exactSum(sum, rest + a[1] + b[1]);
}

function times(a, b) {
  const [product, rest] = exactProduct(a[0], b[0]);
  return exactSum(product, rest + a[0] * b[1] + a[1] * b[0]);
}

function minus(a) {
  return [-a[0], -a[1]];
}

function over(a, b) {
  const first = a[0] / b[0];
  const rest = plus(a, minus(times([first, 0], b)));
  const second = rest[0] / b[0];
  const last = plus(rest, minus(times([second, 0], b)));
  return plus(exactSum(first, second), [last[0] / b[0], 0]);
}
