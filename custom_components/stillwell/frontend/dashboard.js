// Lists the dashboard under "Add dashboard" and makes it each time it is opened: the integration is
// asked for cards of the hub's own. Nothing is drawn here. No newer syntax than old wall tablets know.

const TYPE = "stillwell";
const NAME = "Stillwell";
const ICON = "mdi:fishbowl-outline";

// What must be said without the integration; everything else is in its translations.
const TEXTS = {
  en: {
    about: "Levels, forecasts, fill lines and watches of your aquarium's water. Follows new vessels by itself.",
    absent: "Stillwell is not running in this hub. Look under [Settings > Devices & services](/config/integrations); if it was removed, delete this dashboard.",
  },
  de: {
    about: "Pegel, Vorhersagen, Füllleitungen und Überwachungen für das Wasser deines Aquariums. Neue Behälter kommen von selbst dazu.",
    absent: "Stillwell läuft in dieser Zentrale nicht. Sieh unter [Einstellungen > Geräte & Dienste](/config/integrations) nach; wurde es entfernt, lösch dieses Dashboard.",
  },
  es: {
    about: "Niveles, previsiones, líneas de llenado y vigilancias del agua de tu acuario. Los recipientes nuevos aparecen por sí solos.",
    absent: "Stillwell no está en marcha en este hub. Mira en [Configuración > Dispositivos y servicios](/config/integrations); si se ha quitado, elimina este panel de control.",
  },
  fr: {
    about: "Niveaux, prévisions, lignes de remplissage et surveillances de l'eau de votre aquarium. Les nouveaux récipients s'ajoutent tout seuls.",
    absent: "Stillwell n'est pas en service dans ce hub. Voyez sous [Paramètres > Appareils et services](/config/integrations) ; s'il a été retiré, supprimez ce tableau de bord.",
  },
  nl: {
    about: "Niveaus, voorspellingen, vulleidingen en bewakingen van het water van je aquarium. Nieuwe vaten komen er vanzelf bij.",
    absent: "Stillwell draait niet in deze hub. Kijk onder [Instellingen > Apparaten en diensten](/config/integrations); is het verwijderd, verwijder dan dit dashboard.",
  },
};

const words = (language) => TEXTS[language] || TEXTS[String(language).split("-")[0]] || TEXTS.en;

// The hub tells a refusal by its key; the words are the integration's.
const reason = async (err, hass) => {
  if (err && err.code === "unknown_command") return words(hass.language).absent;
  const domain = err && err.translation_domain;
  if (domain) {
    const localize = await hass.loadBackendTranslation("exceptions", domain);
    const key = `component.${domain}.exceptions.${err.translation_key}.message`;
    const told = localize(key, err.translation_placeholders);
    if (told) return told;
  }
  return `${NAME}: ${(err && err.message) || err}`;
};

const notice = (content) => ({
  title: NAME,
  views: [{ title: NAME, type: "sections", sections: [{ type: "grid", cards: [{ type: "markdown", content }] }] }],
});

class StillwellDashboard extends HTMLElement {
  // A change of these makes it anew: a vessel added, an entity renamed or disabled.
  static get registryDependencies() {
    return ["entities", "devices", "language"];
  }

  static async getCreateSuggestions(hass) {
    const localize = await hass.loadBackendTranslation("common", TYPE);
    return { title: localize(`component.${TYPE}.common.dashboard_title`) || NAME, icon: ICON };
  }

  static async generate(config, hass) {
    const asked = { type: `${TYPE}/dashboard`, language: hass.language };
    if (config.system !== undefined) asked.system = String(config.system);
    try {
      return await hass.callWS(asked);
    } catch (err) {
      return notice(await reason(err, hass));
    }
  }
}

// A page left open over an update loads the newer file beside the older one.
const ELEMENT = `ll-strategy-dashboard-${TYPE}`;
if (!customElements.get(ELEMENT)) {
  customElements.define(ELEMENT, StillwellDashboard);
  window.customStrategies = window.customStrategies || [];
  window.customStrategies.push({
    type: TYPE,
    strategyType: "dashboard",
    name: NAME,
    // Read when the list is opened: by then the page knows its language.
    get description() {
      return words(document.documentElement.lang).about;
    },
  });
}
