//! What is still to happen in a rehearsal, in the order of its moments.

use crate::quantity::TimePoint;
use crate::supervisor::Event;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Events with their moments; those of one moment come in the order in which they were awaited.
///
/// The heap moves its entries about, and an event is large, so the events lie still beside it.
#[derive(Debug, Default)]
pub(super) struct EventQueue {
    /// Moment, order of arrival, and where the event lies.
    due: BinaryHeap<Reverse<(TimePoint, u64, usize)>>,
    events: Vec<Option<Event>>,
    free: Vec<usize>,
    order: u64,
}

impl EventQueue {
    pub(super) fn push(&mut self, at: TimePoint, event: Event) {
        let place = self.free.pop().unwrap_or_else(|| {
            self.events.push(None);
            self.events.len() - 1
        });
        self.events[place] = Some(event);
        self.order += 1;
        self.due.push(Reverse((at, self.order, place)));
    }

    /// Moment of the next event; [`TimePoint::NEVER`] if there is none.
    pub(super) fn next_at(&self) -> TimePoint {
        self.due.peek().map_or(TimePoint::NEVER, |Reverse((at, _, _))| *at)
    }

    pub(super) fn pop(&mut self) -> Option<Event> {
        let Reverse((_, _, place)) = self.due.pop()?;
        self.free.push(place);
        let event = self.events[place].take();
        assert!(event.is_some(), "each place in the heap has its event");
        event
    }

    /// Forgets what does not pass.
    pub(super) fn retain(&mut self, passes: impl Fn(TimePoint, &Event) -> bool) {
        let (events, free) = (&mut self.events, &mut self.free);
        self.due.retain(|Reverse((at, _, place))| {
            let stays = events[*place].as_ref().is_some_and(|event| passes(*at, event));
            if !stays {
                events[*place] = None;
                free.push(*place);
            }
            stays
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn durable(through: u64) -> Event {
        Event::Durable { through }
    }

    fn number(event: Event) -> u64 {
        let Event::Durable { through } = event else { panic!("{event:?}") };
        through
    }

    #[test]
    fn events_come_by_their_moment_and_then_in_the_order_in_which_they_were_awaited() {
        let mut queue = EventQueue::default();
        assert_eq!((queue.next_at(), queue.pop().is_none()), (TimePoint::NEVER, true));
        for (at_s, through) in [(2.0, 1), (1.0, 2), (2.0, 3), (1.0, 4)] {
            queue.push(TimePoint::from_s(at_s), durable(through));
        }
        assert_eq!(queue.next_at(), TimePoint::from_s(1.0));
        assert_eq!(number(queue.pop().unwrap()), 2);
        // The place that has become free is taken again, and the order is kept.
        queue.push(TimePoint::from_s(2.0), durable(5));
        queue.retain(|at, event| {
            at > TimePoint::from_s(1.0) && !matches!(event, Event::Durable { through: 3 })
        });
        queue.push(TimePoint::from_s(2.0), durable(6));
        let rest: Vec<u64> = std::iter::from_fn(|| queue.pop()).map(number).collect();
        assert_eq!(rest, [1, 5, 6]);
        assert_eq!(queue.events.len(), 4);
    }
}
