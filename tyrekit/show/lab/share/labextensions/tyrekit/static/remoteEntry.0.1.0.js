// Written by hand, not bundled. Runs a notebook by itself when it is one of the kit's own: the
// launcher names their paths and the hashes of their cells; a notebook that differs is left alone.
(function () {
  const base = document.currentScript.src.replace(/remoteEntry[^/]*$/, "");
  const css = document.createElement("link");
  css.rel = "stylesheet";
  css.href = base + "notebook.0.1.0.css";
  document.head.appendChild(css);

  function allowed() {
    const data = document.getElementById("jupyter-config-data");
    const value = data ? JSON.parse(data.textContent).tyrekitNotebooks : null;
    return value ? JSON.parse(value) : {};
  }

  async function hash(model) {
    const text = [...model.cells]
      .map((cell) => `${cell.type}\n${cell.sharedModel.getSource()}\0`)
      .join("");
    const bytes = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(text));
    return [...new Uint8Array(bytes)].map((b) => b.toString(16).padStart(2, "0")).join("");
  }

  const plugin = {
    id: "tyrekit:autorun",
    autoStart: true,
    activate: (app) => {
      const own = allowed();
      const seen = new WeakSet();
      let barHidden = false;
      const hideRightBar = () => {
        if (barHidden) return;
        barHidden = true;
        app.commands.execute("application:toggle-side-tabbar", { side: "right" });
      };
      // Buttons of a panel whose kernel has died do nothing: said until it is started again. Not
      // before the server's own new one is there: two starts at once would run no cell.
      const say = (panel, status) => {
        let words = panel.node.querySelector(".tk-stopped");
        if (["autorestarting", "dead"].includes(status) && !words) {
          words = document.createElement("div");
          words.className = "tk-stopped";
          words.setAttribute("role", "alert");
          words.textContent =
            "The program behind this page has stopped, so its buttons do nothing. What was marked" +
            " as saved is safe, what was being typed is kept.";
          panel.node.append(words);
        }
        if (["idle", "dead"].includes(status) && words && !words.dataset.ready) {
          words.dataset.ready = "yes";
          words.textContent += " Press Start again, above.";
        } else if (status === "restarting") {
          words?.remove();
        }
      };
      const look = async (panel) => {
        if (!panel || seen.has(panel) || !panel.sessionContext || !panel.content?.model) return;
        seen.add(panel);
        await panel.context.ready;
        if (!(panel.content.model.getMetadata("tyrekit") || {}).autorun) return;
        const expected = own[panel.context.path];
        if (!expected || expected !== (await hash(panel.content.model))) {
          panel.node.dataset.autorun = "changed";
          return;
        }
        panel.node.classList.add("tk-own");
        hideRightBar();
        await panel.sessionContext.ready;
        await app.commands.execute("notebook:run-all-cells");
        panel.node.dataset.autorun = "done";
        panel.sessionContext.statusChanged.connect((_, status) => say(panel, status));
      };
      app.restored.then(() => {
        app.shell.currentChanged.connect((_, change) => look(change.newValue));
        look(app.shell.currentWidget);
      });
    },
  };

  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB["tyrekit"] = {
    init: () => {},
    get: async () => () => ({ __esModule: true, default: plugin }),
  };
})();
