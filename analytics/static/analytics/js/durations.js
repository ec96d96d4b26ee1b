// Where there is room, what is folded away on a phone stands open from the start.
const ROOM = "(min-width: 66rem)";

if (matchMedia(ROOM).matches) for (const one of document.querySelectorAll("[data-open-wide]")) one.open = true;
