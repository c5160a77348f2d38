//! Groups that move the treatments around, given by all their permutations.

/// All permutations of a group on `0..t`.
pub(super) type Group = Vec<Vec<usize>>;

/// The groups that are tried, the largest first: regular abelian groups on all treatments or on all
/// but one, then cyclic groups that fall into two to four cycles.
pub(super) fn tried(t: usize) -> Vec<Group> {
    let mut all = Vec::new();
    for fixed in [0, 1] {
        let moved = t - fixed;
        for factors in factorings(moved) {
            all.push(regular(&factors, 1, t));
        }
    }
    for cycles in 2..=4 {
        for fixed in [0, 1] {
            let moved = t - fixed;
            if moved.is_multiple_of(cycles) && moved / cycles > 2 {
                all.push(regular(&[moved / cycles], cycles, t));
            }
        }
    }
    all
}

/// The translations of a product of cyclic groups, the same on each of `copies` copies; what is left
/// of the `t` treatments stays where it is.
fn regular(factors: &[usize], copies: usize, t: usize) -> Group {
    let order: usize = factors.iter().product();
    let add = |a: usize, b: usize| {
        let (mut a, mut b, mut sum, mut place) = (a, b, 0, 1);
        for f in factors {
            sum += (a % f + b % f) % f * place;
            (a, b, place) = (a / f, b / f, place * f);
        }
        sum
    };
    (0..order)
        .map(|shift| {
            let moved = (0..order * copies).map(|x| x / order * order + add(x % order, shift));
            moved.chain(order * copies..t).collect()
        })
        .collect()
}

/// The ways to write `n` as a product of numbers above 1 in falling order, fewest factors first.
fn factorings(n: usize) -> Vec<Vec<usize>> {
    fn go(n: usize, most: usize, now: &mut Vec<usize>, all: &mut Vec<Vec<usize>>) {
        if n == 1 {
            all.push(now.clone());
        }
        for f in (2..=n.min(most)).rev() {
            if n.is_multiple_of(f) {
                now.push(f);
                go(n / f, f, now, all);
                now.pop();
            }
        }
    }
    let mut all = Vec::new();
    go(n, n, &mut Vec::new(), &mut all);
    all.sort_by_key(Vec::len);
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn translations_are_permutations_and_closed() {
        for group in tried(9).into_iter().chain(tried(10)) {
            for p in &group {
                let mut sorted = p.clone();
                sorted.sort_unstable();
                assert!(sorted.iter().copied().eq(0..p.len()));
                for q in &group {
                    let both: Vec<usize> = q.iter().map(|x| p[*x]).collect();
                    assert!(group.contains(&both));
                }
            }
        }
    }

    #[test]
    fn twelve_has_four_factorings() {
        assert_eq!(factorings(12), [vec![12], vec![6, 2], vec![4, 3], vec![3, 2, 2]]);
    }
}
