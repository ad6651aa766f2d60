// Light or dark, before the first paint: as chosen by the switch, else as the system says.
(() => {
  const system = matchMedia("(prefers-color-scheme: dark)");
  const apply = () => {
    const chosen = localStorage.getItem("theme");
    document.documentElement.dataset.theme = chosen || (system.matches ? "dark" : "light");
  };
  apply();
  system.addEventListener("change", apply);
})();
