// What is known of one amplifier, as plain values.

import type { Capture } from "./capture";

export interface Moment {
  steady: number; ///< ms, never steps back, may stand still while the machine sleeps
  wall: number; ///< ms since 1970
}

export interface Property {
  name: string;
  datatype: string;
  format: string;
  unit: string;
  settable: boolean;
}

export interface Node {
  name: string;
  properties: Map<string, Property>;
}

export interface Hold {
  by: string; ///< "local", "remote" or "start"
  since: number | null; ///< ms since 1970, by the daemon's clock where that was set
  reason: string;
}

export interface Cause {
  id: string;
  text: string;
  since_s: number | null;
  hold_off_left_s: number | null;
  latched: boolean;
  first: boolean;
}

export interface Limit {
  edge: string; ///< what is judged: "reading", or the "low" or "high" end of its interval
  id: string;
  name: string;
  watch: string;
  unit: string;
  direction: "above" | "below";
  trips: boolean; ///< false: it only warns, and `trip` is where
  provisional: boolean; ///< watches only while commissioning
  trip: number;
  clear: number | null;
  warn: number | null;
  clear_by: string;
  hold_off_s: number;
  rearm: string;
}

/// As dekeyd has them.
export const severities = ["notice", "good", "warning", "alarm"] as const;
export type Severity = (typeof severities)[number];

export interface Happening {
  epoch: string;
  number: number;
  wall: number; ///< ms since 1970 by the daemon's clock
  at_s: number | null; ///< its steady clock
  synchronised: boolean;
  kind: string;
  severity: Severity;
  sign: string; ///< one character, so that neither colour nor reading is needed to find the trips
  source: string;
  state: string;
  firstCause: boolean;
  value: number | null;
  unit: string;
  level: number | null;
  origin: string;
  text: string;
  live: boolean; ///< it came as it happened (or was delivered late), not from the list of recent ones
}

export interface Quantity {
  value: number | null;
  low: number | null;
  high: number | null;
  quality: string;
}

export interface Channel {
  id: string;
  goodKeyed: number;
  goodIdle: number;
  faultsKeyed: number;
  faultsIdle: number;
  lastFault: string;
}

/// How a power is worked out from a detector's volts.
export interface Chain {
  id: string;
  law: string; ///< log, table or square
  slope: number | null; ///< V/dB
  intercept: number | null; ///< dBm
  voltsPerWatt: number | null;
  points: number;
  coupling: number;
  pads: number;
  cable: number;
  waveform: number;
  uncertainty: number | null; ///< ± dB
}

export interface Transmission {
  start: number; ///< ms since 1970 by the daemon's clock
  synchronised: boolean;
  length_s: number;
  mean_w: number | null;
  peak_w: number | null;
  vswr: number | null;
  hottest_c: number | null;
  energy_wh: number;
  ended: string;
}

/// A file on the amplifier's disk, with each step of the seconds around a trip.
export interface KeptCapture {
  name: string;
  wall: number; ///< ms since 1970 by the daemon's clock
  cause: string;
  size: number; ///< bytes
}

export interface ExposureCase {
  name: string;
  w_per_m2: number | null;
  averaging_s: number;
  edition: string;
  distance_m: number | null;
  where: string;
}

export interface Exposure {
  power_w: number | null;
  uncertainty_db: number | null; // by which forward may be more than its reading; the EIRP contains it
  loss_db: number | null; // from the coupler to the antenna
  eirp_w: number | null;
  gain_dbi: number | null;
  duty_percent: number | null;
  ground_factor: number | null;
  formula: string;
  caution: string;
  cases: ExposureCase[];
}

export interface Device {
  id: string;
  name: string;
  connection: string; ///< Homie's $state
  version: number;
  nodes: Map<string, Node>;
  values: Map<string, string>; ///< "node/property" -> payload
  alerts: Map<string, string>;
  quantities: Map<string, Quantity>;
  limits: Limit[];
  resting: Map<string, string>; ///< limits that don't watch now, by id: why
  roles: Map<string, string>;
  channels: Channel[];
  chains: Chain[];
  exposure: Exposure | null;
  captures: Map<string, Capture>; ///< by their place
  transmissions: Transmission[]; ///< the last ones, oldest first
  onDisk: KeptCapture[]; ///< oldest first
  permit: boolean | null;
  state: string;
  reason: string;
  held: string;
  holds: Hold[]; ///< who holds, since when and why
  rf: boolean;
  monitorOnly: boolean;
  commissioningLeft: number | null; ///< s; null: no commissioning is under way
  proof: string; ///< what a proof test does now; nothing: none runs
  eventsWaiting: number;
  synchronised: boolean; ///< its clock is set
  settlingLeft: number | null;
  transmitting: number | null;
  causes: Cause[];
  sequence: number | null;
  said: number | null; ///< sequence of the last summary
  news: Moment | null; ///< when the last live summary, or pulse that means it, came with a new sequence number
  clockOffset: number; ///< ms to add to the daemon's wall time to get the viewer's
  happenings: Happening[]; ///< oldest first, at most `keptHappenings`
}

/// One of which nothing is known but its id.
export function newDevice(id: string): Device {
  return {
    id,
    name: id,
    connection: "",
    version: -1,
    nodes: new Map(),
    values: new Map(),
    alerts: new Map(),
    quantities: new Map(),
    limits: [],
    resting: new Map(),
    roles: new Map(),
    channels: [],
    chains: [],
    exposure: null,
    captures: new Map(),
    transmissions: [],
    onDisk: [],
    permit: null,
    state: "",
    reason: "",
    held: "",
    holds: [],
    rf: false,
    monitorOnly: false,
    commissioningLeft: null,
    proof: "",
    eventsWaiting: 0,
    synchronised: true,
    settlingLeft: null,
    transmitting: null,
    causes: [],
    sequence: null,
    said: null,
    news: null,
    clockOffset: 0,
    happenings: [],
  };
}
