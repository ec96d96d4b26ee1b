// What is folded away on a phone stands open from the start where there is room, and on paper.
const ROOM = "(min-width: 66rem)";
const openAll = () => { for (const one of document.querySelectorAll("[data-open-wide]")) one.open = true; };

export const unfold = () => { if (matchMedia(ROOM).matches) openAll(); };

unfold();
addEventListener("beforeprint", openAll);
