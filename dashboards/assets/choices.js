// Of several ready sections shows the one that its selects choose. The choice stands in the
// address after #, as in #rule=symptoms&by=clinic, so that a link leads to it; a link to a place
// within a section chooses that section. Without this script all sections are shown.
"use strict";

const choices = Array.from(document.querySelectorAll(".choices"), (place) => {
  const form = place.querySelector("form.choice");
  form.hidden = false;
  form.addEventListener("change", (event) => {
    show(event.target);
    location.replace(`#${written()}`);
  });
  return { form, sections: Array.from(place.querySelectorAll(":scope > section")), place };
});

function values(section) {
  return new URLSearchParams(section.dataset.values);
}

function written() {
  const all = choices.flatMap(({ form }) => Array.from(form.elements));
  return new URLSearchParams(all.map((select) => [select.name, select.value])).toString();
}

// Where the selects name a section that there is not, the one that agrees with most of them, above
// all with the one just `changed`.
function show(changed) {
  for (const { form, sections, place } of choices) {
    const selects = Array.from(form.elements);
    const merit = (section) =>
      selects
        .filter((select) => values(section).get(select.name) === select.value)
        .reduce((sum, select) => sum + (select === changed ? selects.length : 1), 0);
    const best = Math.max(...sections.map(merit));
    const chosen = sections.find((section) => merit(section) === best);
    for (const section of sections) section.hidden = section !== chosen;
    for (const select of selects) select.value = values(chosen).get(select.name);
    place.querySelector(".chosen").textContent = `Shown: ${chosen.getAttribute("aria-label")}`;
  }
  dispatchEvent(new Event("chosen"));
}

function follow() {
  const named = location.hash.slice(1);
  const target = named && !named.includes("=") ? document.getElementById(named) : null;
  const section = target && target.closest(".choices > section");
  const wanted = section ? values(section) : new URLSearchParams(named);
  for (const { form } of choices) {
    for (const select of form.elements) {
      const value = wanted.get(select.name);
      if (Array.from(select.options).some((option) => option.value === value)) select.value = value;
    }
  }
  show();
  if (target) target.scrollIntoView();
}

if (choices.length) {
  addEventListener("hashchange", follow);
  follow();
}
