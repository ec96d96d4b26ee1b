// Doing work again: from which stage, why, how many pieces were scrapped and how much film was wasted.
import { h } from "./dom.js";
import { againFrom } from "./model.js";

const STEPS = { scrapped: 1, wasted_m: 0.5 };
const MOST = 1000000;

export const againState = () => ({ from: null, cause: null, scrapped: 0, wasted_m: 0 });

// What was wasted, as it stands when the press comes: the last number may have been typed since the button was drawn.
export const wastedBy = ({ kind }, { scrapped, wasted_m: wasted }) =>
  (kind === "again" ? { ...(scrapped && { scrapped }), ...(wasted && { wasted_m: wasted }) } : {});

export const againFold = (see, job, stage) => {
  const causes = see.pack.causes.filter((one) => one.remakes), stages = againFrom(see.pack, job, stage);
  const given = see.ui.again;
  const from = stages.find((one) => one.id === given.from) ?? stages[0];
  const cause = causes.find((one) => one.id === given.cause) ?? null;
  const spec = { kind: "again", stage: stage.id, to_stage: from?.id === stage.id ? null : from?.id, cause: cause?.id ?? null };
  const nobody = see.pack.people.length > 0 && see.person === null;
  return h("details.more", { dataset: { key: `again-${stage.id}`, again: "" } }, h("summary.tap.quiet", { dataset: { key: `agains-${stage.id}` } }, "Do again"),
    h("div.again", {},
      choice("Why", causes, cause?.id, "cause"),
      stages.length > 1 && choice("From which stage", stages, from?.id, "from"),
      stepper("Pieces scrapped", "scrapped", given.scrapped),
      stepper("Film wasted", "wasted_m", given.wasted_m, ", m"),
      h("button.tap.primary", { type: "button", disabled: nobody || (causes.length > 0 && !cause), dataset: { press: JSON.stringify(Object.fromEntries(Object.entries(spec).filter(([, value]) => value !== null && value !== undefined))), key: "again" } },
        from ? `Do ${from.name} again` : "Do again", h("small", {}, causes.length && !cause ? "say why first" : scrapWords(given)))));
};

const scrapWords = ({ scrapped, wasted_m: wasted }) => [
  scrapped > 0 && `${scrapped} ${scrapped === 1 ? "piece" : "pieces"} scrapped`,
  wasted > 0 && `${wasted} m of film wasted`,
].filter(Boolean).join(", ") || "nothing scrapped";

const choice = (legend, rows, taken, name) => h("fieldset.machine-choice", {}, h("legend", {}, legend), h("div.cluster", {}, rows.map((one) =>
  h("label.tap.small-tap", {}, h("input", { type: "radio", name: `again-${name}`, value: one.id, checked: one.id === taken, dataset: { againSet: name, key: `again-${name}-${one.id}` } }), ` ${one.name}`))));

const stepper = (label, name, value, unit = "") => {
  const id = `again-${name}`;
  return h("div.stepper", {}, h("label", { for: id }, label + unit), h("div.stepper-row", {},
    h("button.tap", { type: "button", "aria-label": `Less: ${label}`, dataset: { step: name, by: String(-STEPS[name]), key: `less-${name}` } }, "−"),
    h("input", { id, type: "number", min: "0", step: name === "scrapped" ? "1" : "any", inputmode: name === "scrapped" ? "numeric" : "decimal", value, dataset: { againSet: name, key: id } }),
    h("button.tap", { type: "button", "aria-label": `More: ${label}`, dataset: { step: name, by: String(STEPS[name]), key: `more-${name}` } }, "+")));
};

// What is typed, as the server takes it: it would refuse the whole press for half a piece.
const amount = (name, typed) => Math.min(Math.max(0, name === "scrapped" ? Math.round(typed) : typed), MOST);

// Takes in a choice, a typed number or a step; gives whether anything is another.
export const againTake = (again, target) => {
  const { againSet: name, step, by } = target.dataset;
  const before = again[name ?? step];
  if (step) again[step] = Math.max(0, Math.round((again[step] + Number(by)) * 100) / 100);
  else if (name) again[name] = ["from", "cause"].includes(name) ? Number(target.value) : amount(name, Number(target.value) || 0);
  return before !== again[name ?? step];
};
