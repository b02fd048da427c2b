// What the daemon publishes, field by field. Made from daemon/words/messages.hpp, mqtt_messages.hpp and
// unit_table.hpp by tests/agree/page_types_test.cpp, which says when this file has to be made anew.

export interface PlannedLimit {
  id: string;
  name: string;
  watch: string;
  unit: string;
  direction: "above" | "below";
  trips: boolean;
  provisional: boolean;
  edge: string;
  clear: number | null;
  warn: number | null;
  clear_by: "level" | "rf off";
  qualify_s: number;
  hold_off_s: number;
  rearm: "latched" | "automatic";
  stage?: string | null;
  trip: number | null;
}

export interface DetectorMessage {
  law: string;
  slope_v_per_db?: number | null;
  intercept_dbm?: number | null;
  volts_per_watt?: number | null;
  points?: number | null;
}

export interface ChainMessage {
  id: string;
  detector: DetectorMessage;
  coupling_db: number;
  pads_db: number;
  cable_db: number;
  waveform_db: number;
  floor_dbm: number;
  ceiling_dbm: number;
  uncertainty_db: number;
}

export interface PlanMessage {
  limits: PlannedLimit[];
  roles: Record<string, string>;
  chains: ChainMessage[];
  settling_s: number;
}

export interface HoldMessage {
  by: string;
  since: string | null;
  synchronised: boolean;
  reason: string;
  text: string;
}

export interface SummaryCause {
  id: string;
  text: string;
  since_s: number;
  hold_off_left_s: number;
  latched: boolean;
  first: boolean;
}

export interface SummaryProof {
  phase: string;
  text: string;
}

export interface LiveSummary {
  wall: string;
  synchronised: boolean;
  sequence: number;
  permit: boolean;
  state: string;
  reason: string;
  held: string;
  holds: HoldMessage[];
  monitor_only: boolean;
  commissioning_left_s: number | null;
  proof: SummaryProof;
  rf: boolean;
  transmitting_s: number | null;
  settling_left_s: number | null;
  values: Record<string, number | null>;
  span: Record<string, (number | null)[]>;
  quality: Record<string, string>;
  causes: SummaryCause[];
  resting: Record<string, string>;
  events_waiting: number;
}

export interface Pulse {
  wall: string;
  sequence: number;
  summary: number;
}

export interface ChannelCount {
  id: string;
  good_keyed: number;
  good_idle: number;
  faults_keyed: number;
  faults_idle: number;
  last_fault: string;
  frozen: boolean;
}

export interface ProofOutcome {
  why: string;
  passed: boolean;
  line_on_s: number | null;
  line_off_s: number | null;
  contact_on_s: number | null;
  contact_off_s: number | null;
}

export interface EventMessage {
  number: number;
  at_s: number;
  wall: string;
  synchronised: boolean;
  kind: string;
  severity: string;
  sign: string;
  source: string;
  state: string;
  first_cause: boolean;
  condition: string;
  value: number | null;
  unit: string;
  level: number | null;
  forced?: boolean;
  proof?: ProofOutcome | null;
  origin: string;
  command_id: number;
  text: string;
}

export type Digits = "none" | "one" | "two" | "ratio" | "watts" | "seconds";

export const digitsOfUnit: Record<string, Digits> = {
  "": "ratio",
  "°C": "one",
  W: "watts",
  dBm: "one",
  dB: "one",
  V: "two",
  A: "two",
  rpm: "none",
  "%": "one",
  "K/W": "ratio",
  "K/h": "one",
  s: "seconds",
};
