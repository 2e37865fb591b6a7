// Small means to change the page only where it changed. All text goes in as text, never as markup.

export const by = (id) => document.getElementById(id);

export function text(node, value) {
  if (node.textContent !== value) node.textContent = value;
}

export function make(tag, className, content) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (content !== undefined) node.textContent = content;
  return node;
}

// One child for each item, kept where its key stays: focus and screen readers stay where they are.
export function rows(parent, items, key, build, update) {
  const kept = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  let before = null;
  for (const item of items) {
    const name = String(key(item));
    let node = kept.get(name);
    if (node) kept.delete(name);
    else {
      node = build(item);
      node.dataset.key = name;
    }
    const place = before ? before.nextSibling : parent.firstChild;
    if (place !== node) parent.insertBefore(node, place);
    update(node, item);
    before = node;
  }
  for (const node of kept.values()) node.remove();
}

const NAMES = ["C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B"];
export const noteName = (note) => `${NAMES[note % 12]}${Math.floor(note / 12) - 1}`;
export const number = (value, digits = 0) => (value === null || value === undefined ? "–" : value.toFixed(digits));
