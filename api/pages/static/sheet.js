/* The page reads without this script. With it ages tick, figures are replaced as they change, and the page says so
   when the line to the service is lost. Verdicts come only from the service; nothing is judged here. */
(function () {
  "use strict";
  var root = document.documentElement, kept;
  try { kept = localStorage.getItem("ink"); } catch (e) { kept = null; }
  if (kept === "dark" || kept === "light") root.dataset.ink = kept;

  addEventListener("DOMContentLoaded", function () {
    var body = document.body;
    var offset = Date.parse(body.dataset.now) - Date.now();   // the service's clock less this one's
    var heard = Date.now(), staleAfter = 1000 * Number(body.dataset.staleAfter), waiting = null, fetching = false;
    var at = body.dataset.event || "";                       // what is on the page, as the service calls it

    var FIGURES = "dd, .by, .mgn, .mgn b", wanted = null, opened = Date.now(), touched = opened;

    function now() { return Date.now() + offset; }
    function byId(name) { return document.getElementById(name); }

    /* ---- paper ---- */
    if (byId("ink")) byId("ink").addEventListener("click", function () {
      var dark = root.dataset.ink === "dark" || (!root.dataset.ink && matchMedia("(prefers-color-scheme:dark)").matches);
      root.dataset.ink = dark ? "light" : "dark";
      try { localStorage.setItem("ink", root.dataset.ink); } catch (e) { /* private window: this page only */ }
    });
    addEventListener("beforeprint", function () {
      document.querySelectorAll("details:not(.act)").forEach(function (d) { d.open = true; });
    });

    /* ---- ages and countdowns, written as the service writes them ---- */
    function pad(n) { return n < 10 ? "0" + n : String(n); }
    function age(ms) {
      var s = Math.max(0, Math.floor(ms / 1000));
      if (s < 60) return s + " s";
      if (s < 600) return Math.floor(s / 60) + " min " + (s % 60) + " s";
      if (s < 3600) return Math.floor(s / 60) + " min";
      if (s < 172800) return Math.floor(s / 3600) + " h " + Math.floor(s % 3600 / 60) + " min";
      return Math.floor(s / 86400) + " days";
    }
    function stopwatch(ms) {
      var s = Math.max(0, Math.floor(ms / 1000));
      if (s >= 3600) return Math.floor(s / 3600) + ":" + pad(Math.floor(s % 3600 / 60)) + ":" + pad(s % 60);
      return Math.floor(s / 60) + ":" + pad(s % 60);
    }
    function tick() {
      var t = now();
      if (wanted && byId("moved") && !byId("moved").hidden && Date.now() - touched > 600000) refetch(location.href);
      document.querySelectorAll("[data-since]").forEach(function (e) {
        var text = age(t - Date.parse(e.dataset.since));
        if (e.textContent !== text) e.textContent = text;
      });
      document.querySelectorAll("[data-until]").forEach(function (e) {
        var text = stopwatch(Date.parse(e.dataset.until) - t);
        if (e.textContent !== text) e.textContent = text;
      });
      document.querySelectorAll("[data-clock]").forEach(function (e) {
        e.textContent = new Date(t + 60000 * Number(e.dataset.clock)).toISOString().slice(11, 19);
      });
      var silent = Date.now() - heard, lost = body.dataset.live && silent > staleAfter ? true : false;
      if (lost) {
        root.dataset.feed = "lost";
        byId("lost-for").textContent = age(silent);
      } else delete root.dataset.feed;
      if (byId("feedlost").hidden === lost) byId("feedlost").hidden = !lost;
    }

    /* ---- replacing parts ---- */
    function still(e) {
      var copy = e.cloneNode(true);
      copy.querySelectorAll("[data-since],[data-until]").forEach(function (x) { x.textContent = ""; });
      return copy.textContent;
    }
    function figures(e) { return Array.prototype.map.call(e.querySelectorAll(FIGURES), still); }
    function replace(e, html) {
      var open = Array.prototype.map.call(e.querySelectorAll("details"), function (d) { return d.open; });
      var before = figures(e);
      e.innerHTML = html;
      e.querySelectorAll("details").forEach(function (d, n) { if (open[n]) d.open = true; });
      e.querySelectorAll(FIGURES).forEach(function (d, n) {
        if (n < before.length && before[n] !== still(d)) d.classList.add("fresh");
      });
    }
    function busy(e) {                                        // nobody's hand or pointer loses what it is on
      return e.contains(document.activeElement) && document.activeElement !== document.body ||
        e.id === "wrong" && e.matches(":hover");
    }
    function show(parts) {
      var left = {};
      Object.keys(parts).forEach(function (name) {
        var e = byId(name);
        if (!e) return;
        if (busy(e)) left[name] = parts[name];
        else replace(e, parts[name]);
      });
      waiting = Object.keys(left).length ? Object.assign(waiting || {}, left) : null;
      tick();
    }
    setInterval(function () { if (waiting) { var w = waiting; waiting = null; show(w); } }, 2000);

    /* ---- rows keep their places; the page says how many would stand elsewhere ---- */
    ["pointermove", "keydown", "scroll", "focusin"].forEach(function (kind) {
      addEventListener(kind, function () { touched = Date.now(); }, { passive: true });
    });
    function order() {
      var link = byId("moved"), at = {}, tails = [], rows = 0;
      if (!wanted || !link) return;
      wanted.forEach(function (name, n) { at[name] = n; });
      document.querySelectorAll(".rows tr[id]").forEach(function (row) {   // the longest run in order may stay
        var place = at[row.id], low = 0, high = tails.length;
        if (place === undefined) return;
        rows += 1;
        while (low < high) { var mid = (low + high) >> 1; if (tails[mid] < place) low = mid + 1; else high = mid; }
        tails[low] = place;
      });
      var moved = rows - tails.length;
      link.hidden = !moved;
      if (moved) byId("moved-words").textContent = (moved === 1 ? "1 row" : moved + " rows") + " would stand elsewhere: order again";
    }

    /* ---- built otherwise (an outage began or ended), or asked otherwise: the answer is fetched anew, the page stays ---- */
    function refetch(url) {
      if (fetching) return;
      fetching = true;
      fetch(url, { headers: { Accept: "text/html" }, cache: "no-store" }).then(function (r) {
        if (r.redirected) location.reload();                  // signed out meanwhile: the service asks who reads
        if (!r.ok) throw new Error(String(r.status));
        return r.text();
      }).then(function (html) {
        var made = new DOMParser().parseFromString(html, "text/html"), field = document.activeElement;
        var main = made.getElementById("main"), typed = field && field.id === "find" ? field.value : null;
        if (!main) return;
        byId("main").replaceWith(document.adoptNode(main));
        if (typed !== null && byId("find")) {
          field = byId("find");
          field.value = typed;
          field.focus();
          field.setSelectionRange(typed.length, typed.length);
        }
        document.title = made.title;
        waiting = null;
        wanted = null;
        body.dataset.live = made.body.dataset.live;
        at = made.body.dataset.event || "";
        again();                                              // on from what was fetched, not from what was sent before
      }).catch(function () { /* the next event asks again */ }).finally(function () { fetching = false; tick(); });
    }
    var soon = null, again = function () { };
    document.addEventListener("input", function (e) {
      if (e.target.id !== "find") return;
      clearTimeout(soon);
      soon = setTimeout(function () {
        var query = new URLSearchParams(new FormData(e.target.form));
        if (!query.get("find")) query.delete("find");
        var url = e.target.form.action + (String(query) ? "?" + query : "");
        history.replaceState(null, "", url);
        refetch(url);
      }, 200);
    });
    /* ---- a question put in a sentence: each change is played, the newest answer stands, the address keeps the question ---- */
    var putting = 0;
    function put(form, at) {
      var mine = ++putting, query = new URLSearchParams(new FormData(form)), url = form.action + "?" + query;
      history.replaceState(null, "", url);
      byId("played").setAttribute("aria-busy", "true");
      fetch(url, { headers: { Accept: "text/html" }, cache: "no-store" }).then(function (r) {
        if (r.redirected) location.reload();                  // signed out meanwhile: the service asks who reads
        if (!r.ok) throw new Error(String(r.status));
        return r.text();
      }).then(function (html) {
        var made = new DOMParser().parseFromString(html, "text/html"), asked = made.getElementById("ask");
        if (mine !== putting || !made.getElementById("played")) return;
        byId("played").replaceWith(document.adoptNode(made.getElementById("played")));
        document.title = made.title;
        if (at !== "system") return;
        document.querySelector("h1").replaceWith(document.adoptNode(made.querySelector("h1")));
        form.replaceWith(document.adoptNode(asked));          // another system has other loads and units
        byId("ask").elements.system.focus();
      }).catch(function () {
        if (mine === putting) byId("said").textContent = "No line to the service: what stands below is the answer to the question before.";
      });
    }
    document.addEventListener("input", function (e) {
      var form = e.target.form;
      if (!form || form.id !== "ask") return;
      clearTimeout(soon);
      soon = setTimeout(function () { put(form, e.target.name); }, e.target.type === "radio" || e.target.type === "checkbox" ? 0 : 300);
    });
    function take(message) {
      var said = JSON.parse(message.data);
      if (message.lastEventId) at = message.lastEventId;
      body.dataset.beat = String((Number(body.dataset.beat || 0) + 1) % 6);
      if (root.classList.contains("wall") && Date.now() - opened > 86400000) { location.reload(); return; }   // the line stands
      heard = Date.now();
      offset = Date.parse(said.now) - heard;
      staleAfter = 1000 * said.stale_after_s;
      if (said.said) byId("said").textContent = said.said;
      var asof = said.fragments.asof, judged = byId("judged");
      if (asof) byId("asof").innerHTML = asof;
      var clock = byId("asof").querySelector("b");
      if (clock) byId("lost-since").textContent = clock.textContent;
      if (judged && asof) judged.textContent = judged.textContent.replace(/\d\d:\d\d:\d\d/, byId("lost-since").textContent);
      delete said.fragments.asof;
      if (said.order) wanted = said.order;
      if (byId("main").dataset.skeleton !== said.skeleton) refetch(location.href);
      else { show(said.fragments); order(); }
    }
    if (window.EventSource && body.dataset.live) {
      var source, left = false;
      var connect = function () {
        if (left) return;
        source = new EventSource(body.dataset.live + (at ? "&after=" + at : ""));
        source.addEventListener("sheet", take);
        source.onerror = function () {
          if (source.readyState === EventSource.CLOSED) { refetch(location.href); setTimeout(connect, 10000); }
        };
      };
      connect();
      again = function () { source.close(); connect(); };
      // a page kept for the way back must not hold one of the few lines a browser has to one service
      addEventListener("pagehide", function () { left = true; source.close(); });
      addEventListener("pageshow", function (e) { if (e.persisted) { left = false; connect(); } });
    }

    /* ---- a file that is brought is read into the field that takes it pasted ---- */
    document.addEventListener("change", function (e) {
      var field = e.target, into = field.dataset && field.dataset.into && field.form.elements[field.dataset.into];
      if (!into || !field.files.length) return;
      field.files[0].text().then(function (text) { into.value = text; });
    });

    /* ---- what operators do ---- */
    document.addEventListener("submit", function (e) {
      var form = e.target;
      if (!form.dataset || !form.dataset.act) return;
      e.preventDefault();
      var said = {};
      new FormData(form).forEach(function (value, key) {
        var field = form.elements[key];
        if (field && field.dataset && "json" in field.dataset) said[key] = JSON.parse(value);
        else if (key === "minutes") said.lasts_s = 60 * Number(value);
        else if (key === "hours") said.until = new Date(now() + 3600000 * Number(value)).toISOString();
        else if (value !== "") said[key] = value;
      });
      var button = form.querySelector("button"), refusal = form.querySelector(".refusal");
      function refused(why) {
        byId("said").textContent = why;
        if (refusal) refusal.textContent = why;
      }
      button.disabled = true;
      var proof = document.querySelector('meta[name="csrf"]');
      fetch(form.action, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRF-Token": proof ? proof.content : "" },
        body: JSON.stringify(said) })
        .then(function (r) {
          if (r.ok) {
            refused("");
            byId("said").textContent = r.status === 202 ? "Handed on to the site; it is done once the site's journal says so." : "Done.";
            form.closest("details").open = false;
            document.activeElement.blur();
            return null;
          }
          button.textContent = "Not taken, try again";
          return r.json().then(function (p) { refused(p.detail); }, function () { refused("The service did not take it (" + r.status + ")."); });
        })
        .catch(function () { button.textContent = "No line to the service, try again"; })
        .finally(function () { button.disabled = false; });
    });
    tick();
    setInterval(tick, 1000);
  });
})();
