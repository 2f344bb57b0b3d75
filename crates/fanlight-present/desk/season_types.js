/**
 * The season's record and the work that the desk does, as types. `null` or absent: not measured.
 *
 * @typedef {object} SeasonNight
 * @property {string} mid_utc
 * @property {string} site
 * @property {string|null} band
 * @property {number} r_au
 * @property {string|null} side  `pre` or `post` perihelion
 * @property {number} delta_au
 * @property {number} phase_deg
 * @property {number} sunward_pa_deg
 * @property {number} antisolar_pa_deg
 * @property {number} negative_velocity_pa_deg
 * @property {number} km_per_arcsec
 * @property {number|null} fwhm_arcsec
 * @property {string|null} telescope
 * @property {number} exposure_s
 * @property {number} n_frames
 * @property {boolean} [simulated]
 *
 * @typedef {{what: string, kind: string, pa_deg: number, pa_err_deg: number, amount: number, amount_err: number, probability: number}} ChangedFeature
 *
 * @typedef {object} Change
 * @property {string} from_utc
 * @property {string} to_utc
 * @property {string} statement
 * @property {number|null} limit_contrast
 * @property {number|null} [limit_width_deg]
 * @property {ChangedFeature[]} features
 * @property {number|null} [smallest_probability]
 * @property {[number, number]|null} [range_km]
 * @property {string|null} [not_compared_because]
 *
 * @typedef {{period_h: number, err_h: number, false_alarm_probability: number, aliases_h: number[]}} Period
 * @typedef {{utc: string, pa_deg: number, pa_err_deg: number, contrast: number}} TrackPoint
 * @typedef {{fixed_to_sun: number, fixed_in_space: number, rotating: number|null}} DirectionLikelihoods
 *
 * @typedef {object} Track
 * @property {string|null} [kind]
 * @property {TrackPoint[]} points
 * @property {number|null} drift_deg_per_day
 * @property {number|null} drift_err_deg_per_day
 * @property {DirectionLikelihoods|null} log_likelihood
 * @property {string|null} preferred
 * @property {Period|null} period
 * @property {string|null} [no_period_because]
 *
 * @typedef {{of: string, n: number, range_h: [number, number]|null, period: Period|null, because: string|null}} PeriodSearch
 *
 * @typedef {object} Expansion
 * @property {number} pa_deg
 * @property {{utc: string, radius_km: number, radius_err_km: number}[]} points
 * @property {number} speed_km_s
 * @property {number} speed_err_km_s
 *
 * @typedef {object} ActivityPoint
 * @property {string} utc
 * @property {number} r_au
 * @property {string|null} side
 * @property {string} band
 * @property {string} site
 * @property {number} aperture_km
 * @property {number|null} a0frho_cm
 * @property {number|null} a0frho_err_cm
 * @property {number|null} mag
 * @property {number|null} mag_err
 * @property {boolean} in_fit
 *
 * @typedef {object} ActivityFit
 * @property {string} side
 * @property {string} band
 * @property {number} aperture_km
 * @property {number} slope
 * @property {number} slope_err
 * @property {number} afrho_1au_cm
 * @property {number} afrho_1au_err_cm
 * @property {number} scatter_dex
 * @property {number} n_nights
 * @property {[number, number]} r_range_au
 *
 * @typedef {{utc: string, after_utc?: string|null, step_mag: number, step_err_mag: number, false_alarm_probability: number, or_bend?: boolean}} Outburst
 *
 * @typedef {object} Comparison
 * @property {string} comet
 * @property {string} source
 * @property {[number, number]|null} r_range_au
 * @property {number|null} ratio
 * @property {number|null} ratio_err
 * @property {number|null} slope
 * @property {number|null} slope_err
 * @property {string[]} caveats
 * @property {boolean} fair
 * @property {{r_au: number, afrho_cm: number, afrho_err_cm: number|null}[]} [points]
 *
 * @typedef {object} Activity
 * @property {ActivityPoint[]} points
 * @property {ActivityFit[]} fits
 * @property {Outburst[]} outbursts
 * @property {Comparison[]} comparison
 * @property {{slope_difference: number, slope_difference_err: number, ratio: number|null, ratio_err: number|null, r_au: number|null}|null} [asymmetry]
 * @property {{rank: number, of: number, r_au: number}|null} [rank]
 *
 * @typedef {object} SeasonRecord
 * @property {string} object
 * @property {SeasonNight[]} nights
 * @property {Change[]} changes
 * @property {Track[]} tracks
 * @property {Activity} activity
 * @property {PeriodSearch[]} [period_searches]
 * @property {Expansion[]} [expansions]
 * @property {string[]} notes
 * @property {{program: string, command: string, methods: string[]}} provenance
 * @property {string} summary
 *
 * @typedef {object} Season
 * @property {string|null} folder
 * @property {boolean} is_there
 * @property {string|null} made_utc
 * @property {SeasonRecord|null} record
 * @property {boolean} is_stale
 * @property {{name: string, title: string}[]} figures
 * @property {string[]} files
 *
 * @typedef {object} Job
 * @property {number} id
 * @property {string} kind
 * @property {number|null} night
 * @property {"running"|"done"|"failed"|"cancelled"} state
 * @property {string} started_utc
 * @property {string|null} ended_utc
 * @property {string|null} step
 * @property {number|null} done
 * @property {number|null} of
 * @property {string[]} lines
 * @property {string|null} message
 * @property {string|null} [hint]
 */
export {};
