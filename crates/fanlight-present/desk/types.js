/**
 * What the desk's server answers, as types. Position angles: degrees from north through east. `null`: not measured.
 *
 * @typedef {object} Night
 * @property {number} id
 * @property {string} mid_utc
 * @property {string|null} site
 * @property {string|null} band
 * @property {string|null} telescope
 * @property {number|null} n_frames
 * @property {number|null} exposure_s
 * @property {boolean} analysed
 * @property {number} n_features
 * @property {number|null} fwhm_arcsec
 * @property {number|null} r_au
 * @property {number|null} delta_au
 * @property {number|null} km_per_arcsec
 * @property {boolean} has_stack
 * @property {boolean} has_twin
 * @property {string|null} folder
 * @property {string} stamp  changes when the night is measured again
 * @property {string|null} unusable
 *
 * @typedef {object} Campaign
 * @property {string} object
 * @property {string} campaign_file
 * @property {string} program
 * @property {string[]} observers
 * @property {string|null} ledger_file
 * @property {string[]} problems
 * @property {string|null} comparison_file
 * @property {Night[]} nights
 *
 * @typedef {"level"|"about_zero"|"about_one"|"share"} Values
 *
 * @typedef {object} Layer
 * @property {string} name
 * @property {string} title
 * @property {string} unit
 * @property {Values} values
 * @property {number} low
 * @property {number} high
 * @property {number} [soft]
 * @property {boolean} [has_twin]
 *
 * @typedef {object} View
 * @property {number} id
 * @property {string} [stamp]
 * @property {number} width_px
 * @property {number} height_px
 * @property {number} centre_x_px
 * @property {number} centre_y_px
 * @property {number|null} centre_err_px
 * @property {[[number, number], [number, number]]} arcsec_per_px
 * @property {number} scale_arcsec
 * @property {number|null} km_per_arcsec
 * @property {number} ra_deg
 * @property {number} dec_deg
 * @property {number|null} zero_point_mag
 * @property {number|null} sky_noise
 * @property {number|null} fwhm_px
 * @property {number|null} sunward_pa_deg
 * @property {number|null} antisolar_pa_deg
 * @property {number|null} negative_velocity_pa_deg
 * @property {number} tile_px
 * @property {{level: number, width_px: number, height_px: number}[]} levels
 * @property {Layer[]} layers
 *
 * @typedef {object} Setting
 * @property {string} name
 * @property {string} label
 * @property {"number"|"length_px"|"choice"} kind
 * @property {number|null} min
 * @property {number|null} max
 * @property {number|null} usual
 * @property {number|null} step
 * @property {"linear"|"log"} scale
 * @property {string} unit
 * @property {string[]|null} choices
 * @property {string|null} usual_choice
 *
 * @typedef {object} Method
 * @property {string} name
 * @property {string} title
 * @property {string} [what]
 * @property {string} artefacts
 * @property {string} source
 * @property {string} brightness
 * @property {Values} values
 * @property {boolean} needs_other_night
 * @property {Setting[]} settings
 *
 * @typedef {{x_px: number, y_px: number, width_px: number, height_px: number}} Window
 *
 * @typedef {object} FrameHead
 * @property {number} width_px
 * @property {number} height_px
 * @property {number} x_px
 * @property {number} y_px
 * @property {number} level
 * @property {boolean} exact
 * @property {string} words
 * @property {string} how
 * @property {Values} values
 * @property {string} unit
 * @property {number} low
 * @property {number} high
 * @property {boolean} has_twin
 * @property {number} milliseconds
 * @property {string} [refused_because]  then all else is absent
 * @property {string} [hint]
 *
 * @typedef {{head: FrameHead, night: Float32Array, twin: Float32Array|null}} Frame
 *
 * @typedef {{name: string, outcome: string, statistic: number|null, threshold: number|null, explanation: string}} Challenge
 *
 * @typedef {{rho_arcsec: number, pa_deg: number}} RidgePoint
 *
 * @typedef {object} Feature
 * @property {string} kind
 * @property {number} pa_deg
 * @property {number} pa_err_deg
 * @property {number} width_deg
 * @property {number|null} [width_err_deg]
 * @property {number|null} curvature_deg_per_arcsec
 * @property {number} inner_arcsec
 * @property {number} outer_arcsec
 * @property {number} inner_km
 * @property {number} outer_km
 * @property {number} contrast
 * @property {number} contrast_err
 * @property {number|null} false_alarm_probability
 * @property {string} verdict
 * @property {string|null} [because]
 * @property {number|null} offset_from_sunward_deg
 * @property {Challenge[]} challenges
 * @property {RidgePoint[]} [ridge]
 *
 * @typedef {{width_deg: number, inner_arcsec: number, outer_arcsec: number, recovered_fraction: number, contrast: number}} Limit
 *
 * @typedef {object} NightRecord
 * @property {string} object
 * @property {string} mid_utc
 * @property {string} summary
 * @property {string[]} [notes]
 * @property {{optocentre_err_arcsec: number|null, psf: {fwhm_arcsec: number}|null, detection_limit: Limit[], features: Feature[],
 *   search?: {inner_arcsec: number, outer_arcsec: number}|null, twin?: {inner_arcsec: number, outer_arcsec: number}|null, analysed?: boolean}} morphology
 * @property {{n_frames: number, exposure_s: number, residual_sky_err_e_per_s_arcsec2?: number|null}} stack
 * @property {{telescope?: string|null, filter?: string|null, site?: string|null, simulated?: boolean}} setup
 * @property {{program: string}} provenance
 * @property {{file: string, used: boolean, filter?: string|null}[]} frames
 *
 * @typedef {{pa_deg: number, width_deg: number, inner_arcsec: number, outer_arcsec: number}} Sector
 *
 * @typedef {object} SectorResult
 * @property {number} inner_arcsec  where measuring began, which may be inside what was asked for
 * @property {number} outer_arcsec
 * @property {number|null} contrast
 * @property {number|null} contrast_err
 * @property {number|null} [significance]
 * @property {"brighter"|"darker"} [side]  that the probabilities are of
 * @property {number|null} [probability_alone]
 * @property {number|null} [probability_by_eye]
 * @property {number|null} [twin_contrast]
 * @property {string} [explanation]
 *
 * @typedef {Sector & SectorResult & {id: number, person: string, made_utc: string, note: string|null, undone_utc: string|null}} Measurement
 */
export {};
