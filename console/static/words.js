// Says the texts of scripts in the language of the page, which brings them along.
/** @type {Record<string, string>} */
const texts = JSON.parse(document.getElementById("words")?.textContent || "{}");

/**
 * @param {string} text in English, with {1}, {2} for the values
 * @param {...(string | number)} values
 */
export function t(text, ...values) {
  return values.reduce((/** @type {string} */ s, v, i) => s.replace("{" + (i + 1) + "}", () => String(v)), texts[text] ?? text);
}

/** The decimal sign of the language. */
export const point = (1.5).toLocaleString(document.documentElement.lang).charAt(1);
