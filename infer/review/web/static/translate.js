// Messages in the language of the page: their own English text, unless the page brings another.

const words = JSON.parse(document.body.dataset.words || "{}");

// A message with its {names} replaced by values.
export function translate(message, values = {}) {
  return (words[message] || message).replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

// One of two messages by a number, which is {n} in them.
export function translateCount(one, many, n, values = {}) {
  return translate(n === 1 ? one : many, { n, ...values });
}
