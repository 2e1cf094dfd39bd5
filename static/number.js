// Reads a number as people type it, by the same rule as internal/quantity (a test holds the two together), so
// that a button can say what it will record. Without this module the server reads the number all the same; it is
// only not said beforehand.

const SPACES = /[ \u00a0\u2007\u2009\u202f]/g;
const GROUPED = /^\d{1,3}(?:([ '.,])\d{3}(?:\1\d{3})*)?$/;

/**
 * read gives the number in text as a plain decimal ("-1234.50"), or "" where it is none, is longer or finer than
 * the server takes, or could be read two ways ("1,234"): the server asks about those, and nothing is guessed here.
 */
export function read(text) {
  let rest = text.trim();
  let sign = "";
  if (rest[0] === "-" || rest[0] === "\u2212") [sign, rest] = ["-", rest.slice(1)];
  else if (rest[0] === "+") rest = rest.slice(1);
  rest = rest.replace(SPACES, " ").replaceAll("\u2019", "'");
  if (!/^[\d .,']+$/.test(rest)) return "";
  if (/^(?!0,)\d{1,3},\d{3}$/.test(rest)) return "";

  const mark = decimalMark(rest);
  const whole = mark < 0 ? rest : rest.slice(0, mark);
  const fraction = mark < 0 ? "" : rest.slice(mark + 1);
  if (mark >= 0 && (!/^\d+$/.test(fraction) || whole.includes(rest[mark]))) return "";
  if (!/^\d*$/.test(whole) && !GROUPED.test(whole)) return "";
  const digits = whole.replace(/\D/g, "");
  if (digits + fraction === "" || digits.length > 12 || fraction.length > 6) return "";
  return sign + (digits.replace(/^0+(?=\d)/, "") || "0") + (fraction && "." + fraction);
}

// A mark that stands once is the decimal mark; of two kinds it is the later one; one that stands twice groups.
function decimalMark(text) {
  const point = text.lastIndexOf("."), comma = text.lastIndexOf(",");
  if (point >= 0 && comma >= 0) return Math.max(point, comma);
  const last = Math.max(point, comma);
  return last >= 0 && text.indexOf(text[last]) === last ? last : -1;
}

/** show groups a plain decimal for reading, as quantity.Format does: thousands apart by narrow no-break spaces. */
export function show(plain) {
  const [whole, fraction] = plain.split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  return fraction === undefined ? grouped : grouped + "." + fraction;
}
