//! A spin system: sites and couplings, checked once, ready for any field.

use super::coupling::{Coupling, Interaction};
use super::eigen::eigh;
use super::fault::{Fault, FaultKind, SpinError, Subject};
use super::levels::Levels;
use super::operators::{self, C, Place};
use super::site::Site;
use nalgebra::{DMatrix, Vector3};
use std::sync::Arc;

/// The largest Hilbert space that is diagonalised: ten spins 1/2, say.
pub const DIMENSION_MAX: usize = 1024;

/// Sites and couplings with everything prepared that does not depend on the field.
#[derive(Debug, Clone)]
pub struct SpinSystem {
    sites: Arc<[Site]>,
    places: Arc<[Place]>,
    spins: Vec<[DMatrix<C>; 3]>,
    without_field: DMatrix<C>,
}

impl SpinSystem {
    /// Checks sites and couplings and reports every fault found.
    ///
    /// ```
    /// use noctule_sim::spin::{Coupling, Site, SpinError, SpinSystem};
    ///
    /// let sites = vec![Site::electron(0.3), Site::electron(1.0).g_values([f64::NAN; 3])];
    /// let error = SpinSystem::new(sites, vec![Coupling::isotropic([1, 1], 2.0)]).unwrap_err();
    /// let SpinError::Faults(faults) = error else { panic!() };
    /// assert_eq!(faults.len(), 3);
    /// assert!(faults[0].to_string().starts_with("spin 0 can't have spin 0.3"));
    /// ```
    pub fn new(sites: Vec<Site>, couplings: Vec<Coupling>) -> Result<Self, SpinError> {
        let mut faults = Vec::new();
        check_sites(&sites, &mut faults);
        for (index, coupling) in couplings.iter().enumerate() {
            check_coupling(index, coupling, &sites, &mut faults);
        }
        if !faults.is_empty() {
            return Err(SpinError::Faults(faults));
        }
        let multiplicities: Vec<usize> =
            sites.iter().filter_map(|site| operators::multiplicity(site.spin)).map(|m| m as usize).collect();
        assert_eq!(multiplicities.len(), sites.len(), "all spins were checked");
        let places = Place::all(&multiplicities);
        let spins: Vec<_> = multiplicities.iter().map(|&m| operators::cartesian(m)).collect();
        let dimension: usize = multiplicities.iter().product();
        let mut without_field = DMatrix::from_element(dimension, dimension, C::new(0.0, 0.0));
        for ((site, place), spin) in sites.iter().zip(&places).zip(&spins) {
            place.add(&mut without_field, &anisotropy(site, spin));
        }
        for coupling in &couplings {
            let tensor = coupling.tensor_ghz(&sites);
            let [a, b] = coupling.pair;
            let ([a, b], tensor) = if a < b { ([a, b], tensor) } else { ([b, a], tensor.transpose()) };
            operators::add_pair(
                &mut without_field,
                (&places[a], &spins[a]),
                (&places[b], &spins[b]),
                &tensor,
            );
        }
        Ok(Self { sites: sites.into(), places: places.into(), spins, without_field })
    }

    /// The sites, in order.
    pub fn sites(&self) -> &[Site] {
        &self.sites
    }

    /// Dimension of the Hilbert space.
    pub fn dimension(&self) -> usize {
        self.without_field.nrows()
    }

    /// Levels and vectors in an applied field (T, laboratory axes).
    pub fn levels(&self, field_t: [f64; 3]) -> Result<Levels, SpinError> {
        self.levels_with(field_t, None)
    }

    /// As [`SpinSystem::levels`], with one site's own field (T) replaced by another.
    pub fn levels_with_site_field(
        &self,
        field_t: [f64; 3],
        site: usize,
        site_field_t: [f64; 3],
    ) -> Result<Levels, SpinError> {
        if site >= self.sites.len() {
            let kind = FaultKind::UnknownSite { site, sites: self.sites.len() };
            return Err(SpinError::Faults(vec![Fault { at: Subject::System, kind }]));
        }
        finite_field(site_field_t)?;
        self.levels_with(field_t, Some((site, site_field_t.into())))
    }

    fn levels_with(
        &self,
        field_t: [f64; 3],
        other: Option<(usize, Vector3<f64>)>,
    ) -> Result<Levels, SpinError> {
        finite_field(field_t)?;
        let eigen = eigh(&self.hamiltonian_with(field_t, other))?;
        Ok(Levels::new(eigen, self.sites.clone(), self.places.clone()))
    }

    fn hamiltonian_with(&self, field_t: [f64; 3], other: Option<(usize, Vector3<f64>)>) -> DMatrix<C> {
        let applied = Vector3::from(field_t);
        let mut matrix = self.without_field.clone();
        for (index, site) in self.sites.iter().enumerate() {
            let own = match other {
                Some((which, field)) if which == index => field,
                _ => site.site_field_t,
            };
            let energy = site.zeeman_ghz_per_t().transpose() * (applied + own);
            self.places[index].add(&mut matrix, &operators::along(&self.spins[index], &energy));
        }
        matrix
    }
}

/// Everything of one site that does not depend on the field.
fn anisotropy(site: &Site, spin: &[DMatrix<C>; 3]) -> DMatrix<C> {
    let real = |value: f64| C::new(value, 0.0);
    let axes = site.turn.matrix();
    // Components along the axes of the site.
    let own: [DMatrix<C>; 3] = std::array::from_fn(|k| operators::along(spin, &axes.column(k).into_owned()));
    let mut sum = operators::quadratic(&own, &site.quadrupole_ghz);
    let [x, y, z] = &own;
    if site.d_ghz != 0.0 || site.e_ghz != 0.0 {
        sum += z * z * real(site.d_ghz) + (x * x - y * y) * real(site.e_ghz);
    }
    if site.f4_ghz != 0.0 {
        let plus = x + y * C::new(0.0, 1.0);
        let fourth = plus.pow(4);
        sum += (&fourth + fourth.adjoint()) * real(site.f4_ghz);
    }
    sum
}

fn finite_field(field_t: [f64; 3]) -> Result<(), SpinError> {
    match field_t.into_iter().find(|b| !b.is_finite()) {
        Some(value) => {
            Err(SpinError::Condition { what: "a field", value, needed: "a finite number of tesla" })
        }
        None => Ok(()),
    }
}

fn check_sites(sites: &[Site], faults: &mut Vec<Fault>) {
    let mut dimension: u64 = 1;
    for (index, site) in sites.iter().enumerate() {
        let called = site.called(index);
        let mut report = |kind| faults.push(Fault { at: Subject::Site(index), kind });
        match operators::multiplicity(site.spin) {
            Some(multiplicity) => dimension = dimension.saturating_mul(multiplicity),
            None => report(FaultKind::ImpossibleSpin { site: called.clone(), spin: site.spin }),
        }
        let values: [(&str, bool); 7] = [
            ("g", site.g.iter().all(|v| v.is_finite())),
            ("D", site.d_ghz.is_finite()),
            ("E", site.e_ghz.is_finite()),
            ("the fourth-order term F", site.f4_ghz.is_finite()),
            ("the quadrupole tensor", site.quadrupole_ghz.iter().all(|v| v.is_finite())),
            ("the orientation", site.turn.matrix().iter().all(|v| v.is_finite())),
            ("the field", site.site_field_t.iter().all(|v| v.is_finite())),
        ];
        for (what, _) in values.into_iter().filter(|(_, finite)| !finite) {
            report(FaultKind::NotFinite { what: format!("{what} of {called}") });
        }
        let q = &site.quadrupole_ghz;
        if (q - q.transpose()).amax() > 1e-12 * q.amax() {
            report(FaultKind::NotSymmetric { what: format!("the quadrupole tensor of {called}") });
        }
        if !site.name.is_empty() && sites[..index].iter().any(|other| other.name == site.name) {
            report(FaultKind::NameTwice { name: site.name.clone() });
        }
    }
    let system = |kind| Fault { at: Subject::System, kind };
    if sites.is_empty() {
        faults.push(system(FaultKind::Empty));
    }
    if dimension > DIMENSION_MAX as u64 {
        faults.push(system(FaultKind::TooLarge { dimension, limit: DIMENSION_MAX }));
    }
}

fn check_coupling(index: usize, coupling: &Coupling, sites: &[Site], faults: &mut Vec<Fault>) {
    let mut report = |kind| faults.push(Fault { at: Subject::Coupling(index), kind });
    for site in coupling.pair.into_iter().filter(|&site| site >= sites.len()) {
        report(FaultKind::UnknownSite { site, sites: sites.len() });
    }
    let [a, b] = coupling.pair;
    if a == b && a < sites.len() {
        report(FaultKind::CoupledToItself { site: sites[a].called(a) });
    }
    let (what, finite) = match &coupling.interaction {
        Interaction::Tensor(tensor) => ("the tensor", tensor.iter().all(|v| v.is_finite())),
        Interaction::Dipole(r) => ("the distance", r.iter().all(|v| v.is_finite())),
    };
    if !finite {
        report(FaultKind::NotFinite { what: what.to_string() });
    } else if matches!(&coupling.interaction, Interaction::Dipole(r) if r.norm() < 1e-6) {
        // A femtometre: the energy would not even be finite further down.
        report(FaultKind::NoDistance);
    }
}
