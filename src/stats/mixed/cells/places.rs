//! Which columns go into leaves and which into the core.

use super::layout::{Part, Place};

/// A leaf has no more columns than this.
const LEAF_MAX: usize = 300;
/// From this size of the core on the sparse system serves better.
const CORE_MAX: usize = 2000;
/// A leaf with no more columns than this may go into the core.
const MOVED_MAX: usize = 64;

/// Where each column goes: the terms with the most levels into leaves, as long as these stay small
/// and part; what is left, and leaves that meet far more of the core than others, into the core.
/// None if the core is too large.
#[allow(
    clippy::type_complexity,
    reason = "places, columns of the core, leaves: taken apart at the one call"
)]
pub(super) fn placed(
    parts: &[Part],
    n_random: usize,
    n_further: usize,
    met: &[Vec<usize>],
) -> Option<(Vec<Place>, Vec<usize>, Vec<Vec<usize>>)> {
    let mut order: Vec<usize> = (0..parts.len()).collect();
    order.sort_by_key(|&i| std::cmp::Reverse(parts[i].n_used));
    let mut in_leaves = vec![false; parts.len()];
    let term_of = |column: usize| parts.partition_point(|p| p.first <= column) - 1;
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for &i in &order {
        in_leaves[i] = true;
        let found = components(n_random, met, |c| c < n_random && in_leaves[term_of(c)]);
        if found.len() > 1 && found.iter().all(|g| g.len() <= LEAF_MAX) {
            groups = found;
        } else {
            in_leaves[i] = false;
        }
    }
    let mut leaf_of = vec![usize::MAX; n_random];
    for (l, group) in groups.iter().enumerate() {
        group.iter().for_each(|&c| leaf_of[c] = l);
    }
    let mut meets: Vec<std::collections::BTreeSet<usize>> = vec![Default::default(); groups.len()];
    for met in met {
        if let Some(&c) = met.iter().find(|&&c| c < n_random && leaf_of[c] != usize::MAX) {
            let others = met.iter().filter(|&&c| c >= n_random || leaf_of[c] == usize::MAX);
            meets[leaf_of[c]].extend(others);
        }
    }
    let mut sizes: Vec<usize> = meets.iter().map(std::collections::BTreeSet::len).collect();
    sizes.sort_unstable();
    let usual = sizes.get(sizes.len() / 2).copied().unwrap_or(0);
    let stays = |l: usize| meets[l].len() <= 3 * usual || groups[l].len() > MOVED_MAX;
    let leaves: Vec<Vec<usize>> =
        (0..groups.len()).filter(|&l| stays(l)).map(|l| groups[l].clone()).collect();
    let mut places = vec![Place::Unused; n_random + n_further];
    for (l, group) in leaves.iter().enumerate() {
        for (i, &c) in group.iter().enumerate() {
            places[c] = Place::Leaf(l as u32, i as u32);
        }
    }
    let mut used = vec![false; n_random + n_further];
    met.iter().flatten().for_each(|&c| used[c] = true);
    used[n_random..].fill(true);
    let core: Vec<usize> =
        (0..used.len()).filter(|&c| used[c] && places[c] == Place::Unused).collect();
    if core.len() > CORE_MAX {
        return None;
    }
    for (i, &c) in core.iter().enumerate() {
        places[c] = Place::Core(i as u32);
    }
    Some((places, core, leaves))
}

/// The groups of columns that hang together through cells, of those that `among` names.
fn components(n: usize, met: &[Vec<usize>], among: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
    let mut parent: Vec<usize> = (0..n).collect();
    fn root(parent: &mut [usize], mut at: usize) -> usize {
        while parent[at] != at {
            parent[at] = parent[parent[at]];
            at = parent[at];
        }
        at
    }
    let mut seen = vec![false; n];
    for met in met {
        let mut own = met.iter().copied().filter(|&c| among(c));
        let Some(first) = own.next() else { continue };
        seen[first] = true;
        for c in own {
            seen[c] = true;
            let (i, j) = (root(&mut parent, first), root(&mut parent, c));
            parent[j] = i;
        }
    }
    let mut number = vec![usize::MAX; n];
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for c in (0..n).filter(|&c| seen[c]) {
        let r = root(&mut parent, c);
        if number[r] == usize::MAX {
            number[r] = groups.len();
            groups.push(Vec::new());
        }
        groups[number[r]].push(c);
    }
    groups
}
