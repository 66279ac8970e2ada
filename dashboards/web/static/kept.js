// Lists that are told anew without being made anew: what has the focus, is open or is being read stays as it is.

/** The children of `parent`, one an item and in order. `make(item)` gives {element, show(item)}; shown each time. */
export function each(parent, items, keyOf, make) {
  const kept = (parent.kept ??= new Map());
  const keys = new Set(items.map(keyOf));
  for (const [key, one] of kept) {
    if (keys.has(key)) continue;
    one.element.remove();
    kept.delete(key);
  }
  let place = parent.firstElementChild;
  for (const item of items) {
    const key = keyOf(item);
    if (!kept.has(key)) kept.set(key, make(item));
    const one = kept.get(key);
    one.show(item);
    if (one.element === place) place = place.nextElementSibling;
    else parent.insertBefore(one.element, place);
  }
}

/** Do something again and again, `everyMs` after it was done, while the page is looked at. `act` never raises. */
export function again(act, everyMs) {
  let timer = 0;
  const turn = async () => {
    clearTimeout(timer);
    await act();
    clearTimeout(timer);
    if (document.visibilityState === "visible") timer = setTimeout(turn, everyMs);
  };
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && turn());
  timer = setTimeout(turn, everyMs);
  return turn;
}
