// Adds a row to [data-rows="prefix"] without a round trip: the <template data-rows-template> is copied into
// [data-rows-list] by [data-rows-add], with its __prefix__ replaced, and the form's TOTAL_FORMS counted up.
// Without this the button asks the server for a row.
const renumber = (list) => {
  list.querySelectorAll("[data-row] > legend .num").forEach((place, i) => { place.textContent = String(i + 1); });
};
for (const rows of document.querySelectorAll("[data-rows]")) {
  const list = rows.querySelector("[data-rows-list]");
  const template = rows.querySelector("template[data-rows-template]");
  const total = rows.querySelector(`input[name="${rows.dataset.rows}-TOTAL_FORMS"]`);
  const most = rows.querySelector(`input[name="${rows.dataset.rows}-MAX_NUM_FORMS"]`);
  const add = rows.querySelector("[data-rows-add]");
  if (!list || !template || !total || !add) continue;
  add.addEventListener("click", (event) => {
    const index = Number(total.value);
    if (most && index >= Number(most.value)) return; // the server says that there are too many
    event.preventDefault();
    const holder = document.createElement("template");
    holder.innerHTML = template.innerHTML.replaceAll("__prefix__", String(index));
    list.append(holder.content);
    total.value = String(index + 1);
    renumber(list);
    list.lastElementChild.querySelector("input:not([type=hidden]), select, textarea")?.focus();
  });
}
