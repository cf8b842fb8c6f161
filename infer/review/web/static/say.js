// Messages in the language of the page: their own English text, unless the page brings another.

const words = JSON.parse(document.body.dataset.words || "{}");

// A message with its {names} replaced by values.
export function say(message, values = {}) {
  return (words[message] || message).replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

// One of two messages by a number, which is {n} in them.
export function sayCount(one, many, n, values = {}) {
  return say(n === 1 ? one : many, { n, ...values });
}
