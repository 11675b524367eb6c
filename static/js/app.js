// What every page has. Each module is one behaviour and works on what is there, and on what htmx brings later.
import "./look.js";
import "./menu.js";
import "./stepper.js";
import "./toast.js";
import "./form.js";
import "./co2-clock.js";
import "./bench-keys.js";
