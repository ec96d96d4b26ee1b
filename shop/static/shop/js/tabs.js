// A row of tabs that is wider than the screen begins where its current entry is in sight. Run before the page is drawn.
for (const here of document.querySelectorAll(".subnav [aria-current], .tabs [aria-current]")) {
  const row = here.closest(".subnav, .tabs"), box = here.getBoundingClientRect(), view = row.getBoundingClientRect();
  if (box.right > view.right) row.scrollLeft += box.right - view.right + 16;
  else if (box.left < view.left) row.scrollLeft += box.left - view.left - 16;
}
