// Which entries of the tally cannot be? As `problems` of diagnose/survey/tally.py, on the same fields.

function tallyProblems(entry, fields, today) {
  const told = name => String(entry[name] ?? "").trim(), isNumber = text => text !== "" && Number.isFinite(Number(text));
  const wrong = fields.map(field => {
    const value = told(field.name);
    if (value === "") return field.needed ? `${field.title}: it is missing.` : "";
    if (field.kind === "choice" && !field.choices.includes(value)) return `${field.title}: choose one of the answers.`;
    if (field.kind === "day" && !/^\d{4}-\d{2}-\d{2}$/.test(value)) return `${field.title}: write it as 2026-03-31.`;
    if (field.kind === "whole" || field.kind === "number") {
      if (!isNumber(value) || (field.kind === "whole" && !Number.isInteger(Number(value)))) {
        return `${field.title}: ${value} is no ${field.kind === "whole" ? "whole " : ""}number.`;
      }
      if ((field.low !== null && Number(value) < field.low) || (field.high !== null && Number(value) > field.high)) {
        return `${field.title}: ${value} is outside ${field.low} to ${field.high}.`;
      }
    }
    return "";
  }).filter(Boolean);
  if (wrong.length) return wrong;
  const found = [], say = (when, words) => { if (when) found.push(words); };
  const seen = told("laterals_seen"), bitten = told("laterals_browsed"), tree = told("tree"), unreached = told("reached") === "0";
  say(told("visit") > today, `Day: ${told("visit")} is still to come.`);
  say(bitten && (!seen || Number(seen) === 0 && Number(bitten) > 0), "Laterals: say how many were looked at.");
  say(bitten && seen && Number(seen) > 0 && Number(bitten) > Number(seen), `Laterals: ${bitten} of ${seen} cannot be bitten.`);
  say(!tree && (told("browsed") || told("species")), "Tree: give it a tag or a number; leave its fields empty for a plot without trees.");
  say(tree && !told("species"), "Species: a tree needs its species ('unknown' is one).");
  say(unreached && tree, "Reached: a plot that was not reached has no trees to write down.");
  say(unreached && !told("note"), "Note: say why the plot was not reached.");
  say(told("alive") === "0" && told("browsed") === "1", "Alive: a dead tree has no leader bitten this year; leave it empty.");
  return found;
}

/** The tag with its last number one higher, as tags on a plot usually go. */
function nextTag(tag) {
  const [, head, number] = /^(.*?)(\d*)$/.exec(tag);
  return number ? head + String(Number(number) + 1).padStart(number.length, "0") : "";
}
