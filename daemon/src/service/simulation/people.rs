//! People at the frames, and whatever else happens at random.

use frameside_core::exposure::EventKind;
use frameside_core::light::Response;
use frameside_core::quantity::{Dose, TargetDose};
use tokio::sync::oneshot;

use super::expected::Expected;
use super::world::{FRAMES, RECIPES, World, response};
use crate::request::{Aim, Expose, Note, Request};

impl World {
    /// Something happens.
    pub(super) fn act(&mut self) {
        if self.is_stormy && self.chance.percent(40) {
            return if self.chance.percent(55) { self.restart() } else { self.silence() };
        }
        match self.chance.below(100) {
            0..62 => self.command(),
            62..69 => self.restart(),
            69..77 => self.silence(),
            77..82 => self.spoil_disk(),
            82..91 => self.switch_broker(),
            91..96 => self.set_wall(),
            96..98 => self.stray(),
            _ => {
                let now = self.mono();
                self.service().wake(now);
            }
        }
    }

    /// Somebody asks for something, sensible or not.
    pub(super) fn command(&mut self) {
        let now = self.mono();
        self.service().wake(now);
        let frame = self.chance.below(FRAMES.len() as u64) as usize;
        if self.known.out_in(frame).is_none() && self.chance.percent(70) {
            return self.expose(frame);
        }
        match self.chance.below(8) {
            0 => self.expose(frame),
            1 => self.bring_in(frame),
            2 | 3 => self.cover_or_uncover(frame),
            4 => {
                let request = Request::Cover { frame: name(frame) };
                self.at_frame(frame, request, EventKind::Covered, |print, _| print.is_uncovered());
            }
            5 => self.at_frame(
                frame,
                Request::Hush { frame: Some(name(frame)) },
                EventKind::Hushed,
                |_, is_waiting| is_waiting,
            ),
            6 => {
                let target = self.target();
                let kind = EventKind::Retargeted { target: target.dose() };
                let request = Request::Retarget { frame: name(frame), target };
                self.at_frame(frame, request, kind, |print, _| !print.is_strip);
            }
            _ => self.note(frame),
        }
    }

    fn target(&mut self) -> TargetDose {
        TargetDose::new(Dose::from_j_m2(self.chance.between(50.0, 12_000.0).round())).unwrap()
    }

    fn expose(&mut self, frame: usize) {
        if self.skies.iter().any(|sky| sky.is_recorded() && sky.ceiling() == 0.0) {
            return;
        }
        let covered = self.chance.percent(25);
        let target = self.target();
        let is_strip = self.chance.percent(20);
        let aim = if is_strip {
            let band = |n: f64| TargetDose::new(Dose::from_j_m2((target.dose().j_m2() * n).round())).unwrap();
            Aim::Strip([1.0, 2.0, 3.0].map(band).to_vec())
        } else {
            Aim::Target(target)
        };
        let recipe = RECIPES.get(self.chance.below(2 * RECIPES.len() as u64) as usize);
        let response = recipe.map_or(Response::PLAIN, response);
        let recipe = recipe.map(|(name, ..)| (*name).to_owned());
        let (negative, source, note) = (None, None, None);
        let request = Expose { frame: name(frame), aim, recipe, negative, source, note, covered };
        let before = self.known.out_in(frame).map(|(id, _)| id.clone());
        self.ask(Request::Expose(request), before.is_none());
        let now = self.mono();
        let print = self.service().status(now).frames[frame].print.clone();
        if let Some(print) = print.filter(|print| before.is_none() && !self.known.prints.contains_key(print))
        {
            let acts = vec![(EventKind::Begun { covered }, self.now_ns)];
            self.known.prints.insert(print, Expected { frame, is_strip, response, acts });
        }
    }

    pub(super) fn bring_in(&mut self, frame: usize) {
        self.at_frame(frame, Request::BringIn { frame: name(frame) }, EventKind::BroughtIn, |_, _| true);
    }

    fn cover_or_uncover(&mut self, frame: usize) {
        let is_uncovered = self.known.out_in(frame).is_some_and(|(_, print)| print.is_uncovered());
        let (request, kind) = if is_uncovered {
            (Request::Cover { frame: name(frame) }, EventKind::Covered)
        } else {
            (Request::Uncover { frame: name(frame) }, EventKind::Uncovered)
        };
        self.at_frame(frame, request, kind, |_, _| true);
    }

    fn note(&mut self, frame: usize) {
        let Some(print) = self.known.out_in(frame).map(|(id, _)| id.clone()) else { return };
        let request = Request::Note { print, note: Note { text: "cloud".into(), ..Note::default() } };
        self.at_frame(frame, request, EventKind::Noted, |_, _| true);
    }

    /// Asks for something that a print which is out allows, and others never.
    fn at_frame(
        &mut self,
        frame: usize,
        request: Request,
        kind: EventKind,
        may: fn(&Expected, bool) -> bool,
    ) {
        let now = self.mono();
        let is_waiting = self.service().status(now).frames[frame].waiting;
        let out = self.known.out_in(frame);
        let allowed = out.filter(|(_, print)| may(print, is_waiting)).map(|(id, _)| id.clone());
        self.ask(request, allowed.is_some());
        if let Some(print) = allowed {
            let act = (kind, self.now_ns);
            self.known.act(&print, act);
        }
    }

    fn ask(&mut self, request: Request, good: bool) {
        self.tell(format!("{}{}", if good { "" } else { "(refused) " }, request.to_json()));
        self.note_commit();
        let now = self.mono();
        let (tell, mut answer) = oneshot::channel();
        self.service().on_question(now, request, tell);
        self.look_up();
        assert!(!good || answer.try_recv().is_err() || !self.can_commit(), "acknowledged before it is safe");
        self.promised.push((answer, good));
    }
}

fn name(frame: usize) -> String {
    FRAMES[frame].0.to_owned()
}
