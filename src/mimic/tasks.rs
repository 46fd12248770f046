//! The `TASK` commands.

use super::instruments::number;
use super::lab::Lab;
use super::message::Arguments;
use super::scpi_error::ScpiError;
use noctule_sim::{Act, Signal};

/// Words after `TASK:`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Word {
    Busy,
    Report,
    Data,
    Approach,
    Withdraw,
    Coarse,
    Shift,
    Move,
    Pulse,
    Pick,
    PutDown,
    Trace,
    Image,
    Regenerate,
    Persist,
    Refill,
    Abort,
}

impl Word {
    pub(super) fn asks(self) -> bool {
        matches!(self, Word::Busy | Word::Report | Word::Data)
    }
}

/// Answers a query about tasks. `hidden` says that a running one counts as ended.
pub(super) fn ask(word: Word, lab: &mut Lab, hidden: bool) -> String {
    let busy = lab.microscope().busy();
    match (word, lab.report()) {
        (Word::Busy, _) => u8::from(busy && !hidden).to_string(),
        (Word::Report, _) if busy && hidden => "1,\"done\"".to_owned(),
        (Word::Report, Some(report)) => {
            format!("{},\"{}\"", u8::from(report.achieved), report.remark.replace('"', "\"\""))
        }
        (Word::Report, None) => "0,\"no task has ended\"".to_owned(),
        (_, Some(report)) => {
            let mut text = String::with_capacity(report.data.len() * 24);
            for (index, value) in report.data.iter().enumerate() {
                if index > 0 {
                    text.push(',');
                }
                text.push_str(&number(*value));
            }
            text
        }
        (_, None) => String::new(),
    }
}

/// Starts or ends a task.
pub(super) fn command(word: Word, arguments: &mut Arguments<'_>, lab: &mut Lab) -> Result<(), ScpiError> {
    if word == Word::Abort {
        arguments.finish()?;
        lab.microscope().abort();
        return Ok(());
    }
    let act = read(word, arguments)?;
    arguments.finish()?;
    lab.begin(act).map_err(ScpiError::from)
}

fn read(word: Word, arguments: &mut Arguments<'_>) -> Result<Act, ScpiError> {
    Ok(match word {
        Word::Approach => Act::Approach,
        Word::Withdraw => Act::Withdraw,
        Word::Coarse => Act::CoarseStep { steps: arguments.whole(-1e6, 1e6)? as i32 },
        Word::Shift => Act::CoarseShift {
            x_steps: arguments.whole(-1e6, 1e6)? as i32,
            y_steps: arguments.whole(-1e6, 1e6)? as i32,
        },
        Word::Move => Act::MoveTip {
            x_m: arguments.number()?,
            y_m: arguments.number()?,
            speed_m_s: arguments.number()?,
        },
        Word::Pulse => Act::Pulse { volts: arguments.number()?, length_s: arguments.number()? },
        Word::Pick => Act::PickUp,
        Word::PutDown => Act::PutDown,
        Word::Trace => {
            let name = arguments.string()?;
            let signal = Signal::from_name(&name).ok_or_else(|| ScpiError::about(-224, name))?;
            Act::Trace { signal, samples: arguments.whole(1.0, 1e7)? as u32, interval_s: arguments.number()? }
        }
        Word::Image => Act::Image {
            x_m: arguments.number()?,
            y_m: arguments.number()?,
            size_m: arguments.number()?,
            pixels: arguments.whole(1.0, 1e4)? as u32,
            line_s: arguments.number()?,
        },
        Word::Regenerate => Act::Regenerate,
        Word::Persist => Act::Persist { persistent: arguments.number_or_state()? != 0.0 },
        Word::Refill => Act::Refill { to_l: arguments.number()? },
        Word::Busy | Word::Report | Word::Data | Word::Abort => return Err(ScpiError::new(-113)),
    })
}
