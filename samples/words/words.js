"use strict";
// wordsIn takes the JSON of package words and returns t and number of its language.
function wordsIn(words) {
  const rules = new Intl.PluralRules(words.tag);
  function t(english, ...values) {
    const whole = values.find(Number.isInteger);
    const forms = words.messages[english];
    let text = english;
    if (typeof forms === "string") {
      text = forms || english;
    } else if (forms) {
      text = (whole !== undefined && forms[rules.select(whole)]) || forms.other || english;
    }
    let next = 0;
    return text.replace(/%(?:\[(\d+)\])?([sdv%])/g, function (all, at, verb) {
      if (verb === "%") { return "%"; }
      if (at) { next = at - 1; }
      return String(values[next++]);
    });
  }
  function number(v, decimals) {
    if (typeof v !== "number" || !Number.isFinite(v)) { return "–"; }
    const s = decimals < 0 ? String(v) : v.toFixed(decimals);
    return s.replace(/^-(?=[0.]*$)/, "").replace(".", words.point);
  }
  return { t, number };
}
