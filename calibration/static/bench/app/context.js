/**
 * What a screen is given, and what it gives back. Types only.
 *
 * A screen is a module that exports `render(context)`. It is rendered when it is navigated to, and again when
 * something that it shows changed (the job's document, what waits of it, the connection). A screen on which somebody
 * types gives an `update` of its own, so that nothing typed is lost; what must outlive a reload it keeps in `drafts`.
 *
 * @typedef {(context: Context) => Screen} Render
 *
 * @typedef {object} Screen
 * @property {string} heading the screen's one `h1`
 * @property {Content} content below the heading
 * @property {Content[]} [actions] buttons of the bar at the foot, the main one (`button button-main`) last
 * @property {(context: Context) => void | 'again'} [update] called instead of rendering anew; without it, or where it gives
 *   `again`, the screen is rendered. The screens of a job are `screens/job/index.js`.
 * @property {() => void} [leave] called when another screen takes its place
 *
 * @typedef {Node | string | null | false | Content[]} Content
 *
 * @typedef {object} Context
 * @property {Route} route
 * @property {Job | null} job as last read from the server, the lengths in its sentences in the person's unit; null where the screen is of no job or it was never read
 * @property {number | null} read_at ms since 1970: when the job was read
 * @property {Waiting[]} waiting records of this job's vehicle that are on this tablet only, in order, refused ones too
 * @property {Absent[]} absent whose records of this vehicle wait for a PIN
 * @property {boolean} online whether the service answered last
 * @property {Pending} pending
 * @property {Person} person
 * @property {Units} units
 * @property {'right' | 'left'} hand
 * @property {(hash: string) => void} navigate `#/`, `#/job/ID`, `#/job/ID/inspect` …; whoever went to another screen
 *   while something was on its way stays there
 * @property {Records} records
 * @property {Reads} reads
 * @property {Intents} intents
 * @property {Drafts} drafts
 * @property {(text: string, severity?: 'note' | 'review' | 'stop') => void} say tells it above the screen's content and to
 *   a screen reader, until the next one or the next screen
 *
 * @typedef {object} Route
 * @property {string} name of the screen: `today`, `vehicle`, `open_job`, `job`, `tray`, `settings` …
 * @property {string[]} rest what follows the name in the hash, decoded; for `job`: its id, then what the screen makes of it
 *
 * @typedef {{id: string, name: string}} Person
 * @typedef {Person & {count: number, isListed: boolean}} Absent `isListed`: among the people who work at tablets
 *
 * @typedef {object} Pending what is on this tablet only
 * @property {number} count
 * @property {number} waiting
 * @property {number} not_accepted
 * @property {number} to_sign
 * @property {number | null} since ms since 1970
 * @property {number} [counted] see `Sending.pending`
 *
 * @typedef {object} Waiting
 * @property {string} id
 * @property {Kind} kind
 * @property {string} path of the interface
 * @property {'waiting' | 'sent' | 'refused' | 'to_sign' | 'dropped'} state `sent`: the server has it, but the job was not
 *   read again since, so that it is not yet in the job's document
 * @property {Record<string, any>} fields as handed over
 * @property {number} noted_at ms since 1970
 * @property {string | null} person who recorded it
 * @property {import("../offline/types.js").Refusal | null} refusal
 *
 * @typedef {'job' | 'readiness' | 'round' | 'readings' | 'strike' | 'proposal' | 'write' | 'photo' | 'event' | 'fitment'
 *   | 'leak_test' | 'height_check' | 'concession' | 'pause' | 'resumption' | 'end' | 'reversion' | 'sign_off' | 'other'} Kind
 *
 * @typedef {object} Kept A record that is on disk.
 * @property {string} id
 * @property {Promise<Settled>} settled when the server has answered for good; may take days, never rejects
 *
 * @typedef {{kind: 'sent' | 'refused', answer: import("../offline/types.js").Answer}} Settled
 *
 * @typedef {object} Records Each resolves once the record is on this tablet's disk, and rejects where it could not be
 *   kept, which was then said; the caller still has it. When the server has it, the job is read again. All are of the
 *   context's job. `fields` are those of the interface, without `id`; `id` is the draft's, so that what two tabs record at
 *   once is one record.
 * @property {(checks: Record<string, {outcome: string, note?: string}>, id?: string | null) => Promise<Kept>} readiness
 * @property {(fields: {taken_at: string, instrument: string, temperature_deg_c?: number, settled: boolean,
 *   setpoints: Counts, readings: NewReading[]} & Record<string, unknown>, id?: string | null) => Promise<Kept>} round
 * @property {(round: string, readings: NewReading[], id?: string | null) => Promise<Kept>} furtherReadings
 * @property {(reading: string, fields: {reason: string, replacement: {height_mm: number, confirmed?: boolean}}) => Promise<Kept>} strike
 * @property {(fields?: {setpoints?: Counts, justification?: string}, id?: string | null) => Promise<Kept>} propose
 * @property {(fields: {proposal?: string, written_at: string, read_back: Counts}, id?: string | null) => Promise<Kept>} write
 * @property {(of: {round: string} | {write: string}, file: File) => Promise<Kept>} photo
 * @property {(fields: {kind: string, corner?: Corner, happened_at: string, note?: string}, id?: string | null) => Promise<Kept>} event
 * @property {(fields: {fitted_on: string, odometer_km?: number, tyres: Record<Corner, Tyre>}, id?: string | null) => Promise<Kept>} fitment
 * @property {(fields: {front_target_mm: number, rear_target_mm: number, reason: string, acknowledged_by: string,
 *   acknowledged_on: string}) => Promise<Kept>} concession
 * @property {(fields: {reason: string}) => Promise<Kept>} pause
 * @property {(fields: {reason: string, setpoints: Counts, nothing_changed: boolean}, id?: string | null) => Promise<Kept>} resume
 * @property {(fields: {reason: string, setpoints?: Counts}, id?: string | null) => Promise<Kept>} end
 * @property {(fields: {instrument: string, start: ParkedHeights, end: ParkedHeights}, id?: string | null) => Promise<Kept>} leakTest
 * @property {(fields: {reason: string}) => Promise<Kept>} reversion
 * @property {(vehicle: {id: string, vin: string, registration: string | null}, fields: {taken_at: string, loading: string,
 *   readings: NewReading[]} & Record<string, unknown>, id?: string | null) => Promise<Kept>} heightCheck outside a job
 * @property {(vehicle: {id: string, vin: string, registration: string | null}, fields: Record<string, unknown>) => Promise<Kept>} openJob its id is the job's
 *
 * @typedef {object} NewReading
 * @property {string} [id]
 * @property {Corner} corner
 * @property {number} height_mm as `units.parse` gives it
 * @property {boolean} [confirmed] a height beyond the gross limit that was looked at again
 * @property {string} [measured_by]
 * @property {string} [instrument]
 *
 * @typedef {object} ParkedHeights What was read of the parked vehicle at one time.
 * @property {string} at
 * @property {Record<Corner, number>} heights mm
 * @property {number} [temperature_deg_c]
 * @property {boolean} [confirmed]
 *
 * @typedef {{size: string, load_index: number, speed_symbol: string}} Tyre
 *
 * @typedef {'FL' | 'FR' | 'RL' | 'RR'} Corner
 * @typedef {Partial<Record<Corner, number>>} Counts
 *
 * @typedef {object} Reads What is read is kept for when the network is away; only what is of today.
 * @property {(id: string) => Promise<Job | null>} job as kept, without asking
 * @property {(id: string) => Promise<Job | null>} refresh ask the server; null where it does not answer or has none
 * @property {(vin: string) => Promise<Vehicle | null>} vehicle asks, else as kept
 * @property {(model: string) => Promise<any>} specification of a vehicle model that is in force; asks, else as kept
 * @property {(vin: string) => boolean} isUnknownVehicle whether the service, asked last, had no such vehicle
 * @property {(vin: string) => Promise<JobSummary[] | null>} jobsOf a vehicle, newest first; null without answer
 * @property {() => Promise<JobSummary[]>} today open jobs and those of today; asks, else as kept
 * @property {(text: string) => Promise<Vehicle[] | null>} find by part of VIN or registration; null without answer
 * @property {() => Promise<Instrument[]>} instruments that are in use; asks, else as kept
 * @property {() => Promise<{id: string, name: string}[]>} bays
 * @property {() => Promise<Person[]>} people who may work at tablets; as kept where the server does not answer
 * @property {(job: string) => Promise<Certificate | null>} certificate the job's latest; null while none is there
 * @property {(number: string) => Promise<Blob | null>} document a certificate's PDF; null where the service gives none
 *
 * @typedef {object} Intents
 * @property {(secret: {pin: string, content_sha256: string, remark?: string}) => Promise<{outcome: Signing,
 *   answer: import("../offline/types.js").Answer | null}>} sign
 *   sign the job off over what was shown. `records_first`: its records are still on their way. Without network (`later`)
 *   the intent waits for the PIN, which is stored nowhere.
 * @property {(decision: {id: string, person: string, pin: string, part: string, fields: Record<string, unknown>}) =>
 *   Promise<string | null>} decide what another person decides here, by their PIN, while this one stays at the tablet.
 *   `part`: of the interface, after its version. Gives why it was not taken, or null. Never without network.
 *
 * @typedef {import("../offline/outbox.js").Signing} Signing
 *
 * @typedef {object} Drafts What somebody is about to record; on this tablet, thrown away with the day or after the days that it was set for.
 * @property {(key: string) => any} get null where there is none
 * @property {(key: string) => string | null} idOf of the record that it becomes, from its first key
 * @property {(key: string, value: unknown, days?: number) => void} set JSON
 * @property {(key: string) => void} clear
 *
 * @typedef {object} Units The person's; see `units.js`.
 * @property {'mm' | 'inch'} length
 * @property {string} sign `mm` or `in`
 * @property {(text: string) => number | null} parse what was typed → mm; null: no number
 * @property {(height_mm: number | string, options?: {signed?: boolean, decimals?: number}) => string} show without its sign
 *
 * @typedef {'check_readiness' | 'measure' | 'read_again' | 'propose' | 'get_approval' | 'write' | 'settle_and_measure'
 *   | 'inspect' | 'sign_off' | 'paused' | 'done'} NextStep
 *
 * @typedef {object} JobSummary
 * @property {string} id
 * @property {number} number
 * @property {{id: string, vin: string, registration: string | null}} vehicle
 * @property {string} state
 * @property {string} reason
 * @property {number} odometer_km
 * @property {string} opened_at
 * @property {string | null} closed_at
 *
 * @typedef {JobSummary & {
 *   next_step: NextStep,
 *   next_step_detail: {reason: string, detail: string, corners: Corner[], one_decides_alone: boolean},
 *   cautions: {code: string, text: string}[],
 *   cautions_ahead: Record<string, {code: string, text: string}[]>,
 *   content_sha256: string,
 *   specification: any,
 *   readiness: {ready: boolean, merged: Record<string, string>, records: any[]},
 *   rounds: any[],
 *   assessment: any,
 *   as_found: any,
 *   as_left: any,
 *   setpoints: Counts | null,
 *   baseline: Counts | null,
 *   findings: any[],
 *   writes: any[],
 *   leak_tests: any[],
 *   proposals: any[],
 *   proposal: any,
 *   approvals: any[],
 *   approval: any,
 *   repeat_limit_mm: number,
 *   repeat_limits_mm: Record<string, number>,
 *   gross_limit_mm: number,
 *   pauses: any[],
 *   events: any[],
 *   photos: any[],
 *   end: any,
 *   sign_off: any,
 *   [more: string]: any,
 * }} Job as GET /api/v1/jobs/ID/ answers it
 *
 * @typedef {{id: string, vin: string, registration: string | null, make: string, model: string, [more: string]: any}} Vehicle
 * @typedef {{id: string, serial: string, kind: string, [more: string]: any}} Instrument
 * @typedef {{number: string, kind: string, state: string, code: string, [more: string]: any}} Certificate
 */
export {};
