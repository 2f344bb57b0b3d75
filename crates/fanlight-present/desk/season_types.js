/**
 * The season's record (`season.json`) and the work that the desk does, as types. `null` or absent: not measured.
 *
 * @typedef {number|null|undefined} Maybe
 * @typedef {{mid_utc: string, band: string|null, r_au: number, side: string|null, delta_au: number, phase_deg: number, sunward_pa_deg: number,
 *   antisolar_pa_deg: number, negative_velocity_pa_deg: number, fwhm_arcsec: number|null, n_frames: number, folder?: string|null, simulated?: boolean}} SeasonNight  side: `pre` or `post` perihelion
 * @typedef {{what: string, kind: string, pa_deg: number, pa_err_deg: number, amount: number, amount_err: number, probability: number}} ChangedFeature
 * @typedef {{from_utc: string, to_utc: string, statement: string, limit_contrast: Maybe, limit_width_deg?: Maybe, features: ChangedFeature[],
 *   smallest_probability?: Maybe, range_km?: [number, number]|null, not_compared_because?: string|null}} Change
 * @typedef {{period_h: number, err_h: number, false_alarm_probability: number, aliases_h: number[]}} Period
 * @typedef {{utc: string, pa_deg: number, pa_err_deg: number, contrast: number}} TrackPoint
 * @typedef {{kind?: string|null, points: TrackPoint[], drift_deg_per_day: Maybe, drift_err_deg_per_day: Maybe,
 *   log_likelihood: {fixed_to_sun: number, fixed_in_space: number, rotating: number|null}|null, preferred: string|null, period: Period|null, no_period_because?: string|null}} Track
 * @typedef {{of: string, n: number, range_h: [number, number]|null, period: Period|null, because: string|null}} PeriodSearch
 * @typedef {{pa_deg: number, points: {utc: string, radius_km: number, radius_err_km: number}[], speed_km_s: number, speed_err_km_s: number}} Expansion
 * @typedef {{utc: string, r_au: number, side: string|null, band: string, site: string, aperture_km: number, a0frho_cm: Maybe, a0frho_err_cm: Maybe, mag: Maybe,
 *   mag_err: Maybe, in_fit: boolean}} ActivityPoint
 * @typedef {{side: string, band: string, aperture_km: number, slope: number, slope_err: number, afrho_1au_cm: number, afrho_1au_err_cm: number, scatter_dex: number,
 *   n_nights: number, r_range_au: [number, number]}} ActivityFit
 * @typedef {{utc: string, after_utc?: string|null, step_mag: number, step_err_mag: number, false_alarm_probability: number, or_bend?: boolean}} Outburst
 * @typedef {{comet: string, source: string, r_range_au: [number, number]|null, ratio: Maybe, ratio_err: Maybe, slope: Maybe, slope_err: Maybe, caveats: string[],
 *   fair: boolean, points?: {r_au: number, afrho_cm: number, afrho_err_cm: Maybe}[]}} Comparison
 * @typedef {{points: ActivityPoint[], fits: ActivityFit[], outbursts: Outburst[], comparison: Comparison[],
 *   asymmetry?: {slope_difference: number, slope_difference_err: number, ratio: Maybe, ratio_err: Maybe, r_au: Maybe}|null, rank?: {rank: number, of: number, r_au: number}|null}} Activity
 * @typedef {{object: string, nights: SeasonNight[], changes: Change[], tracks: Track[], activity: Activity, period_searches?: PeriodSearch[], expansions?: Expansion[],
 *   notes: string[], provenance: {program: string, command: string, methods: string[]}, summary: string}} SeasonRecord
 * @typedef {{is_there: boolean, made_utc: string|null, record: SeasonRecord|null, is_stale: boolean, figures: {name: string, title: string}[], files: string[]}} Season
 * @typedef {{id: number, kind: string, night?: Maybe, state: "running"|"done"|"failed"|"cancelled", started_utc: string, ended_utc?: string|null, step?: string|null,
 *   done?: Maybe, of?: Maybe, lines: string[], message?: string|null, hint?: string|null}} Job
 */
export {};
