//! Settling: the law behind readings over hours and days, and what is still to come.
//!
//! **Comes in:** a [`Series`] of heights over time in hours since the load was put on, optionally
//! with standard uncertainties, or the same as CSV text.
//!
//! **Goes out:** a [`SettlingFit`]: the chosen [`Law`] with parameters and uncertainties, every
//! other law with its weight or the reason why it is no answer, readings that were left out, and
//! from it forecasts with bands, what is [still to come](SettlingFit::still_to_come), whether it
//! [has settled](SettlingFit::verdict) and [when to look again](SettlingFit::next_look).
//!
//! **Refuses:** numbers that are not finite, times before zero, too few readings for any law that
//! changes, fixed parameters that no law has. A law that did not converge, ran to a bound or is
//! not determined by the readings is reported as such and never shown as an answer.
//!
//! # Method
//! 1. Readings are put in order of time; where they were not, a notice says so (a clock that was
//!    set back must be mended by the user). A reading given twice, time and height, counts once.
//! 2. Every law is linear in all but one or two parameters. Those are laid on a logarithmic grid,
//!    the linear ones solved at each point (variable projection, Golub and Pereyra 1973). The best
//!    local minima start a joint damped Gauss-Newton fit of all parameters, which gives the
//!    covariance. Long series are averaged for the way to the minimum, never for the result; laws
//!    with less than a millionth of the weight are left a thousandth of their uncertainty away.
//! 3. A law counts only where the profile of its residual sum of squares rises above its minimum
//!    by the 95 % quantile of F before either bound, and where it beats the simpler law it
//!    contains by the same measure: otherwise it is not determined.
//! 4. Laws are weighed by Akaike's criterion corrected for small samples (Burnham and Anderson,
//!    *Model Selection and Multimodel Inference*, 2nd ed. 2002, sections 2.4 and 2.9). Laws with
//!    at least a twentieth of the weight share the forecast; its variance holds the spread between
//!    them (ibid., section 4.3).
//! 5. Correlated noise: the lag-1 correlation r of the residuals, by order of reading, corrected
//!    for the parameters taken out. Where it is significantly positive, laws are weighed by the
//!    likelihood of first-order autoregressive noise about each, and n readings count as
//!    n (1 - r)/(1 + r) in all intervals. The standard uncertainties in the table of parameters
//!    and the criterion shown stay those for independent noise, as in published fits.
//! 6. A wild reading is one whose externally studentised residual passes the limit that one clean
//!    series in a thousand would reach (Bonferroni). It is left out, named, and all is fitted anew.

mod answer;
mod beside;
mod candidate;
mod cause;
mod csv;
mod drift;
mod failure;
mod fitting;
mod forecast;
mod joint;
mod judging;
mod jump;
mod law;
mod plot;
mod profile;
mod prospect;
mod series;
mod svg;
mod trend;
mod weighing;
mod wild;

pub use answer::{FitAnswer, run_fit_command};
pub use beside::{BesideKind, FittedBeside};
pub use candidate::{Candidate, FittedParameter, Status};
pub use cause::Cause;
pub use csv::read_csv;
pub use failure::{Notice, SettlingError};
pub use forecast::{Band, NextLook, Verdict};
pub use joint::{Joint, JointMember, together};
pub use jump::{FoundStep, find_step};
pub use law::Law;
pub use plot::{Picture, TimeAxis, plot, plot_of};
pub use prospect::{KnownStep, Prospect, Question, prospect};
pub use series::Series;
pub use svg::svg;
pub use trend::{Averaged, Trend, allan_deviation, averaged, trend};
pub use weighing::{FitOptions, SettlingFit, fit};
pub use wild::WildReading;
