(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const FHIR = "application/fhir+json";
  const options = ["target", "basis", "pace", "prior-therapy", "weekly-pattern", "lt3-doses", "as-of"];
  const operation = byId("operation"), example = byId("example"), pasted = byId("pasted"), state = byId("state");
  const save = byId("save");
  let turn = 0, timer = 0, answers = [], form = null;

  const query = () => {
    const given = new URLSearchParams();
    for (const name of options) {
      const field = byId(name);
      if (field.value && !field.closest("[hidden]")) given.set(name, field.value);
    }
    for (const tablet of byId("stock").value.split(",")) if (tablet.trim()) given.append("stock", tablet.trim());
    return given.toString();
  };
  const address = () => "/fhir/" + byId("version").value + "/" + operation.value + "?" + query();
  const sheetAddress = () => operation.selectedOptions[0].dataset.sheet + "?" + query();
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
    label.append(...(input.type === "number" ? [words, input] : [input, " " + words]));
    return label;
  };
  const question = (item) => {
    if (item.type === "display") return made("p", item.text);
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
    const posed = found[0] || null;
    if (form && posed && form.url === posed.url) return; // the same questions: what is typed into them stays
    form = posed;
    byId("questions").hidden = !form;
    byId("asked").replaceChildren(...(form ? form.item.map(question) : []));
    byId("questions").querySelector("button").hidden = !byId("asked").querySelector("input");
    byId("elsewhere").hidden = !form || form.item.every((item) => item.type !== "display");
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
    return first + "curl -sS '" + location.origin + address() + "' -H 'Content-Type: " + FHIR + "'" +
      (byId("token").value ? ' -H "Authorization: Bearer $TOKEN"' : "") + " --data-binary " + from;
  };

  const post = (to, accept, body) => fetch(to, {
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

  const keep = (page) => {
    URL.revokeObjectURL(save.href);
    save.hidden = !page;
    if (page) save.href = URL.createObjectURL(new Blob([page], { type: "text/html" }));
  };

  const ask = async () => {
    clearTimeout(timer); // what it waits to ask is asked now
    const mine = ++turn, sheetAt = sheetAddress(), answerAt = address();
    byId("curl").textContent = command();
    if (isOwn() && !pasted.value.trim()) {
      state.textContent = "Paste a Bundle to begin.";
      return;
    }
    state.textContent = "Asking…";
    try {
      const body = await called();
      const began = performance.now();
      const page = await post(sheetAt, "text/html", body);
      const took = Math.round(performance.now() - began);
      const answer = await post(answerAt, FHIR, body);
      const shown = page.ok ? await page.text() : "";
      const told = await answer.text();
      if (mine !== turn) return;
      const outcome = JSON.parse(told);
      byId("sheet").hidden = !page.ok;
      byId("refused").hidden = page.ok;
      if (page.ok) byId("sheet").srcdoc = shown;
      else refuse(outcome);
      keep(page.ok ? shown : "");
      pose(outcome);
      byId("json").textContent = JSON.stringify(outcome, null, 2);
      state.textContent = page.ok ? "The sheet came in " + took + " ms." : "Refused with status " + page.status + ".";
    } catch {
      if (mine === turn) state.textContent = "The service could not be reached, or its answer not be read.";
    }
  };
  // It says so at once: what it shows until then is of the call before.
  const soon = () => { clearTimeout(timer); state.textContent = "Asking…"; timer = setTimeout(ask, 150); };

  const narrow = () => {
    for (const part of document.querySelectorAll("[data-only]")) part.hidden = part.dataset.only !== operation.value;
  };
  const choose = () => {
    const chosen = example.selectedOptions[0];
    byId("story").textContent = chosen.dataset.story || "";
    byId("own").open = isOwn();
    if (!isOwn()) {
      operation.value = chosen.dataset.operation;
      byId("target").value = chosen.dataset.target;
      byId("stock").value = chosen.dataset.stock;
      byId("as-of").value = chosen.dataset.asOf;
    }
    narrow();
  };
  // An operation picked by hand takes an example of its own; what was pasted stays.
  const operate = () => {
    if (isOwn()) return narrow();
    example.value = [...example.options].find((one) => one.dataset.operation === operation.value).value;
    choose();
  };
  operation.addEventListener("change", operate);
  if (example) { example.addEventListener("change", choose); choose(); }
  else narrow();
  byId("call").addEventListener("submit", (event) => event.preventDefault());
  // Leaving the pasted record is a change of it too, but one that its input has told already.
  byId("call").addEventListener("change", (event) => {
    if (event.target === pasted) return;
    answers = [];
    soon();
  });
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
