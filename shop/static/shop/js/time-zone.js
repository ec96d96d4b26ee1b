// Writes the browser's own time zone into [data-guess-zone], where nothing but UTC stands yet.
for (const field of document.querySelectorAll("[data-guess-zone]")) {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const known = [...(field.list?.options ?? [])].some((option) => option.value === zone);
  if (known && ["", "UTC"].includes(field.value)) field.value = zone;
}
