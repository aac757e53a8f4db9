// The page is whole without this. With it, what changes is put in as it happens, forms need no new page, and times count
// down. Whatever fails here leaves links and forms as they are.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const tell = (text) => { byId("told").textContent = text; };
  const house = byId("house");
  let now = Date.parse(house.dataset.now);
  let shownAt = performance.now();
  // What the last form did is asked for again with the page, for a while.
  let search = "";
  let forgetting;
  const remember = (said) => {
    search = said;
    clearTimeout(forgetting);
    forgetting = setTimeout(() => { search = ""; }, 30000);
  };
  if (location.search) {
    remember(location.search);
    history.replaceState(null, "", location.pathname + location.hash);
  }

  // Puts in what is new in a page that was asked for again; what a person is filling in stays.
  const put = (text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const lamps = (of) => [...of.querySelectorAll(".lamp")].map((lamp) => lamp.id).join();
    const top = page.getElementById("house");
    if (!top || lamps(page) !== lamps(document)) return location.assign("/");
    now = Date.parse(top.dataset.now);
    shownAt = performance.now();
    const before = document.querySelector(".said")?.textContent;
    for (const fresh of page.querySelectorAll("#house, [data-new]")) {
      const old = byId(fresh.id);
      if (!old || old.innerHTML === fresh.innerHTML) continue;
      const state = (of) => of.querySelector(".state")?.textContent;
      if (state(old) !== state(fresh)) tell(`${fresh.querySelector("h2").textContent}: ${state(fresh)}`);
      const at = [...old.querySelectorAll("a, button")].indexOf(document.activeElement);
      const lamp = old.closest(".lamp");
      if (lamp) lamp.className = page.getElementById(lamp.id).className;
      old.replaceWith(fresh);
      if (at >= 0) (fresh.querySelectorAll("a, button")[at] ?? fresh.querySelector("button"))?.focus();
    }
    const said = document.querySelector(".said")?.textContent;
    if (said && said !== before) tell(said);
  };

  // While nobody answers, the page says that it is old.
  const outOfReach = (words) => {
    byId("stale").hidden = !words;
    byId("stale").textContent = words;
  };
  const since = () => document.querySelector(".today time").textContent;

  let asking = false;
  let again = false;
  // Counts the forms: a page that was asked for before one was answered is older than that answer.
  let forms = 0;
  const refresh = async () => {
    again = true;
    if (asking || document.hidden) return;
    asking = true;
    while (again) {
      again = false;
      const asked = forms;
      try {
        const answer = await fetch("/" + search);
        if (answer.status === 401) return location.assign("/page/sign-in");
        const text = await answer.text();
        if (asked !== forms) again = true;
        else if (answer.ok) put(text);
        outOfReach("");
      } catch {
        outOfReach(`Lampward is out of reach. This is how things stood on ${since()}.`);
      }
      await new Promise((rest) => setTimeout(rest, 300));
    }
    asking = false;
  };

  document.addEventListener("submit", async (event) => {
    const { target: form, submitter } = event;
    const action = submitter?.getAttribute("formaction") ?? form.getAttribute("action");
    if (action !== "/page/override" && action !== "/page/cancel" && action !== "/page/try") return;
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form));
    if (submitter?.name) body.append(submitter.name, submitter.value);
    const label = submitter?.textContent;
    if (action === "/page/try" && submitter) {
      submitter.textContent = "It blinks now.";
      tell(submitter.textContent);
    }
    try {
      const answer = await fetch(action, { method: "POST", body });
      if (answer.status === 401) return location.assign("/page/sign-in");
      if (answer.redirected) remember(new URL(answer.url).search);
      const text = await answer.text();
      forms += 1;
      if (answer.ok) put(text);
      document.querySelector(".said")?.scrollIntoView({ block: "nearest" });
      outOfReach(answer.ok ? "" : "That was not taken. Nothing was changed.");
    } catch {
      outOfReach("Lampward is out of reach, so nobody knows whether that was done. Try again.");
    }
    if (action === "/page/try" && submitter) submitter.textContent = label;
  });

  // The same words as the server's.
  const farOff = (s) => {
    const minutes = Math.floor(s / 60);
    if (minutes < 1) return "in less than a minute";
    const hours = Math.floor(minutes / 60);
    if (hours >= 48) return `in ${Math.floor(hours / 24)} days`;
    return ["in", hours && `${hours} h`, minutes % 60 && `${minutes % 60} min`].filter(Boolean).join(" ");
  };
  setInterval(() => {
    const at = now + performance.now() - shownAt;
    for (const time of document.querySelectorAll("time.in")) {
      const text = farOff((Date.parse(time.dateTime) - at) / 1000);
      if (time.textContent !== text) time.textContent = text;
    }
  }, 5000);

  const listen = () => {
    const events = new EventSource(`/live?after=${document.body.dataset.seen}`);
    for (const kind of ["status", "channel", "house", "missed"]) events.addEventListener(kind, refresh);
    events.onerror = () => {
      // What was refused, for want of a place say, is not tried again by itself.
      if (events.readyState === EventSource.CLOSED) setTimeout(listen, 30000);
      refresh();
    };
  };
  listen();
  document.addEventListener("visibilitychange", refresh);
  setInterval(refresh, 60000);
})();
