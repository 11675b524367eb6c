// The reference of the API: sends what a form says as the person who is signed in, and shows the answer as it came.
// Without a script the page is a plain reference.

function address(form) {
  let path = form.dataset.path;
  const query = new URLSearchParams();
  for (const field of form.querySelectorAll("[data-in]")) {
    const value = field.value.trim();
    if (!value) continue;
    if (field.dataset.in === "path") path = path.replace(`{${field.name}}`, encodeURIComponent(value));
    if (field.dataset.in === "query") query.set(field.name, value);
  }
  return query.size ? `${path}?${query}` : path;
}

function headers(form) {
  const found = { Accept: "application/json" };
  for (const field of form.querySelectorAll('[data-in="header"]')) {
    if (field.value.trim()) found[field.name] = field.value.trim();
  }
  if (form.dataset.method !== "GET") {
    found["X-CSRFToken"] = form.dataset.csrf;
    found["Content-Type"] = "application/json";
  }
  return found;
}

function pretty(text) {
  try {
    return JSON.stringify(JSON.parse(text), null, 2);
  } catch {
    return text;
  }
}

async function ask(form) {
  const body = form.elements.body?.value;
  const answer = await fetch(address(form), {
    method: form.dataset.method,
    headers: headers(form),
    body: form.dataset.method === "GET" ? undefined : body || undefined,
    credentials: "same-origin",
  });
  const said = [`${answer.status} ${answer.statusText}`];
  for (const name of ["ETag", "Location", "Retry-After"]) {
    if (answer.headers.has(name)) said.push(`${name}: ${answer.headers.get(name)}`);
  }
  return `${said.join("\n")}\n\n${pretty(await answer.text())}`;
}

for (const form of document.querySelectorAll("form[data-api-try]")) {
  const button = form.querySelector("button");
  button.hidden = false;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    const shown = document.createElement("textarea");
    Object.assign(shown, { className: "input code", readOnly: true, rows: 14, ariaLabel: button.textContent });
    try {
      shown.value = await ask(form);
    } catch (error) {
      shown.value = String(error);
    }
    form.querySelector("output").replaceChildren(shown);
    button.disabled = false;
  });
}
