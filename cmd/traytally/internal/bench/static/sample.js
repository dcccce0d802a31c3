import { t } from "./common.js";
