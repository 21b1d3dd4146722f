(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const FHIR = "application/fhir+json";
  const options = ["target", "basis", "pace", "prior-therapy", "weekly-pattern", "as-of"];
  const example = byId("example"), pasted = byId("pasted"), state = byId("state");
  let turn = 0, timer = 0, answers = [], form = null;

  const query = () => {
    const given = new URLSearchParams();
    for (const name of options) if (byId(name).value) given.set(name, byId(name).value);
    return given.toString();
  };
  const contentType = () => FHIR + (byId("version").value === "r5" ? "; fhirVersion=5.0" : "");
  const token = () => byId("token").value ? { Authorization: "Bearer " + byId("token").value } : {};
  const isOwn = () => !example || example.value === "";
  const record = async () => {
    if (isOwn()) return pasted.value;
    const sent = await fetch("/examples/" + encodeURIComponent(example.value));
    return sent.text();
  };
  // The record as it was written: to parse and print it anew would lose digits of its numbers.
  const called = async () => {
    const own = await record();
    if (!answers.length) return own;
    const sent = JSON.parse(own);
    if (sent.resourceType === "Parameters") {
      const more = answers.map((one) => ({ name: "answers", resource: one }));
      return JSON.stringify({ ...sent, parameter: [...sent.parameter, ...more] });
    }
    const given = answers.map((one) => ',{"name":"answers","resource":' + JSON.stringify(one) + "}");
    return '{"resourceType":"Parameters","parameter":[{"name":"record","resource":' + own + "}" + given.join("") + "]}";
  };

  const made = (name, text, set) => {
    const element = Object.assign(document.createElement(name), set || {});
    if (text) element.textContent = text;
    return element;
  };
  const labelled = (input, words) => {
    const label = made("label", "");
    label.append(input, " " + words);
    return label;
  };
  const question = (item) => {
    const box = made("fieldset");
    box.append(made("legend", item.text));
    const within = item.item || [];
    for (const said of within.filter((one) => one.type === "display")) box.append(made("p", said.text));
    for (const option of item.answerOption || []) {
      const set = { type: "radio", name: item.linkId, value: option.valueCoding.code };
      box.append(labelled(made("input", "", set), option.valueCoding.display));
    }
    if (item.type === "integer") {
      box.append(labelled(made("input", "", { type: "number", name: item.linkId, min: 0 }), "as a number"));
    }
    for (const dose of within.filter((one) => one.type === "quantity")) {
      const input = made("input", "", { type: "number", name: dose.linkId, min: 0, step: "any" });
      input.addEventListener("input", () => { if (input.value) other(box); });
      box.append(labelled(input, dose.text));
    }
    return box;
  };
  const other = (box) => {
    const radio = box.querySelector('input[value="otherwise"]');
    if (radio) radio.checked = true;
  };
  const pose = (outcome) => {
    const found = (outcome.entry || []).map((one) => one.resource).filter((one) => one.resourceType === "Questionnaire");
    form = found[0] || null;
    byId("questions").hidden = !form;
    byId("asked").replaceChildren(...(form ? form.item.map(question) : []));
  };
  const value = (name) => {
    const input = byId("asked").querySelector('input[name="' + name + '"][type="number"]');
    return input && input.value !== "" ? Number(input.value) : null;
  };
  const unit = (dose) => dose.text.endsWith("mg") ? "mg" : "ug";
  const answer = (item) => {
    if (item.type === "integer") {
      return value(item.linkId) === null ? [] : [{ linkId: item.linkId, answer: [{ valueInteger: value(item.linkId) }] }];
    }
    const picked = byId("asked").querySelector('input[name="' + item.linkId + '"]:checked');
    if (!picked) return [];
    const coded = { valueCoding: { system: form.url, code: picked.value } };
    if (picked.value === "otherwise") {
      coded.item = (item.item || []).filter((one) => one.type === "quantity" && value(one.linkId) !== null)
        .map((one) => ({ linkId: one.linkId, answer: [{ valueQuantity: {
          value: value(one.linkId), unit: unit(one), system: "http://unitsofmeasure.org", code: unit(one),
        } }] }));
      if (!coded.item.length) return [];
    }
    return [{ linkId: item.linkId, answer: [coded] }];
  };
  const respond = (event) => {
    event.preventDefault();
    const items = form.item.flatMap(answer);
    if (!items.length) {
      state.textContent = "Nothing is answered yet.";
      return;
    }
    answers.push({ resourceType: "QuestionnaireResponse", status: "completed", questionnaire: form.url, item: items });
    ask();
  };

  const command = () => {
    const answered = answers.length > 0;
    const from = answered ? "@answered-call.json" : isOwn() ? "@record.json" : "@-";
    const first = answered || isOwn() ? "" : "curl -sS '" + location.origin + "/examples/" + example.value + "' | ";
    return first + "curl -sS '" + location.origin + "/fhir/" + byId("version").value +
      "/$propose-switch?" + query() + "' -H 'Content-Type: " + FHIR + "'" +
      (byId("token").value ? ' -H "Authorization: Bearer $TOKEN"' : "") + " --data-binary " + from;
  };

  const post = (path, accept, body) => fetch(path + "?" + query(), {
    method: "POST", body, headers: { "Content-Type": contentType(), Accept: accept, ...token() },
    cache: "no-store", referrerPolicy: "no-referrer",
  });

  const refuse = (outcome) => {
    const list = document.createElement("ul");
    for (const issue of outcome.issue) {
      const item = document.createElement("li");
      item.textContent = issue.diagnostics + (issue.expression ? " (" + issue.expression.join(", ") + ")" : "");
      list.append(item);
    }
    const heading = document.createElement("h2");
    heading.textContent = "The call is refused";
    byId("refused").replaceChildren(heading, list);
  };

  const ask = async () => {
    const mine = ++turn;
    byId("curl").textContent = command();
    if (isOwn() && !pasted.value.trim()) {
      state.textContent = "Paste a Bundle to begin.";
      return;
    }
    state.textContent = "Asking…";
    try {
      const body = await called();
      const began = performance.now();
      const page = await post("/sheet", "text/html", body);
      const took = Math.round(performance.now() - began);
      const answer = await post("/fhir/" + byId("version").value + "/$propose-switch", FHIR, body);
      const shown = page.ok ? await page.text() : "";
      const told = await answer.text();
      if (mine !== turn) return;
      const outcome = JSON.parse(told);
      byId("sheet").hidden = !page.ok;
      byId("refused").hidden = page.ok;
      if (page.ok) byId("sheet").srcdoc = shown;
      else refuse(outcome);
      pose(outcome);
      byId("json").textContent = JSON.stringify(outcome, null, 2);
      state.textContent = page.ok ? "The sheet came in " + took + " ms." : "Refused with status " + page.status + ".";
    } catch {
      if (mine === turn) state.textContent = "The service could not be reached, or its answer not be read.";
    }
  };
  const soon = () => { clearTimeout(timer); timer = setTimeout(ask, 150); };

  const choose = () => {
    const chosen = example.selectedOptions[0];
    byId("story").textContent = chosen.dataset.story || "";
    byId("own").open = isOwn();
    if (!isOwn()) {
      byId("target").value = chosen.dataset.target;
      byId("as-of").value = chosen.dataset.asOf;
    }
  };
  if (example) { example.addEventListener("change", choose); choose(); }
  byId("call").addEventListener("submit", (event) => event.preventDefault());
  byId("call").addEventListener("change", () => { answers = []; soon(); });
  byId("questions").addEventListener("submit", respond);
  pasted.addEventListener("input", () => { if (example) example.value = ""; answers = []; soon(); });
  for (const button of document.querySelectorAll("[data-copy]")) {
    button.addEventListener("click", async () => {
      await navigator.clipboard.writeText(byId(button.dataset.copy).textContent);
      state.textContent = "Copied.";
    });
  }
  ask();
})();
