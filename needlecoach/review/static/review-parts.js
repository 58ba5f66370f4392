// What all parts of the review page build with.

export function make(parent, tag, className = "", text = "") {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text) made.textContent = text;
  parent.append(made);
  return made;
}
