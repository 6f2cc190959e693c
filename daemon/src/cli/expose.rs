//! `frameside expose`

use frameside_core::quantity::TargetDose;

use super::{Context, Failure, at_frame, out, out_json};
use crate::request::{Aim, Expose, Request};

/// Begin a print in a frame.
///
/// Prints the name of the print, which the record keeps it under. With a recipe alone it
/// aims at what 'frameside advise' says, or at the target set in the recipe.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside expose oak --target 15kJ/m2 --recipe citrate --negative \"boats 3\"
  frameside expose oak --recipe citrate
  frameside expose elm --strip 4kJ/m2,5.7kJ/m2,8kJ/m2,11.3kJ/m2,16kJ/m2
  frameside expose ash --like 2026-07-14-oak-1 --covered
  frameside expose ash --like 2026-07-14-oak-1 --source box
The last one takes the factor kept by 'frameside source factor --keep'.")]
pub(super) struct Args {
    /// The frame
    frame: String,
    #[command(flatten)]
    aim: AimArgs,
    /// The recipe; its name, or your own words
    #[arg(long)]
    recipe: Option<String>,
    /// The negative, in your own words
    #[arg(long)]
    negative: Option<String>,
    /// The source of light; the sun unless told, with --like that of the print
    #[arg(long)]
    source: Option<String>,
    /// A note to keep with the print
    #[arg(long)]
    note: Option<String>,
    /// The frame lies out under its cover; 'uncover' begins the count
    #[arg(long)]
    covered: bool,
}

#[derive(Debug, clap::Args)]
#[group(multiple = false)]
struct AimArgs {
    /// The dose it is to receive, such as 15kJ/m2
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE")]
    target: Option<TargetDose>,
    /// The dose that an earlier print came in with, put right by its judgement and for this source;
    /// a frame stands for its newest print, 'last' for the newest of all
    #[arg(long, value_name = "PRINT")]
    like: Option<String>,
    /// A test strip: rising doses, one for each band
    #[arg(long, allow_hyphen_values = true, value_name = "DOSES", value_delimiter = ',')]
    strip: Vec<TargetDose>,
}

pub(super) fn run(args: Args, context: &Context) -> Result<(), Failure> {
    let aim = match args.aim {
        AimArgs { target: Some(target), .. } => Aim::Target(target),
        AimArgs { like: Some(like), .. } => Aim::Like(like),
        AimArgs { strip, .. } if !strip.is_empty() => Aim::Strip(strip),
        _ if args.recipe.is_some() => Aim::Recipe,
        _ => {
            let what = "say what the print is to receive: --target 15kJ/m2, --like PRINT, --strip DOSES or --recipe R";
            return Err(Failure::Usage(what.to_owned()));
        }
    };
    let answer = context.ask(&Request::Expose(Expose {
        frame: args.frame,
        aim,
        recipe: args.recipe,
        negative: args.negative,
        source: args.source,
        note: args.note,
        covered: args.covered,
    }))?;
    if context.json {
        out_json(&answer);
    } else {
        out(&format!("{}\n", answer["print"].as_str().unwrap_or_default()));
        at_frame::steps(&answer);
        at_frame::warn(&answer);
    }
    Ok(())
}
