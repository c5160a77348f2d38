//! Serving orders of difference tests and of incomplete blocks: counted here, deal by deal.

use std::collections::BTreeSet;

use blindsteep::session::draws::Draws;
use blindsteep::session::incomplete::incomplete;
use blindsteep::session::sequences::{DUO_TRIO, TRIANGLE, duo_trios, pairs, triangles};

/// All ways to deal two of A and two of B to four codes.
fn deals_of_four() -> Vec<[char; 4]> {
    (0..16_u32)
        .filter(|bits| bits.count_ones() == 2)
        .map(|bits| [0, 1, 2, 3].map(|i| if bits >> i & 1 == 0 { 'A' } else { 'B' }))
        .collect()
}

fn count(rows: &[Vec<usize>], deal: &[char], sequence: &str) -> usize {
    rows.iter().filter(|r| r.iter().map(|c| deal[*c]).collect::<String>() == sequence).count()
}

#[test]
fn triangles_have_all_six_sequences_as_equally_often_as_can_be_in_every_deal() {
    let deals = deals_of_four();
    assert_eq!(deals.len(), 6);
    for n in 1..=37 {
        for seed in 0..3 {
            let made = triangles(n, &mut Draws::of_orders(seed));
            assert_eq!(made.rows.len(), n);
            for row in &made.rows {
                let distinct: BTreeSet<usize> = row.iter().copied().collect();
                assert!(distinct.len() == 3 && row.iter().all(|c| *c < 4), "{row:?}");
            }
            let (mut least, mut most) = (usize::MAX, 0);
            for deal in &deals {
                let counts = TRIANGLE.map(|s| count(&made.rows, deal, s));
                assert_eq!(counts.iter().sum::<usize>(), n, "no set is AAA or BBB");
                least = least.min(*counts.iter().min().unwrap());
                most = most.max(*counts.iter().max().unwrap());
            }
            assert_eq!((made.balance.least, made.balance.most), (least, most), "n = {n}");
            // Six rows cannot be even in all pairings (below), so 6 and 18 are one further apart.
            let allowed = match n % 12 {
                0 => 0,
                6 => 2,
                _ => 1,
            };
            assert!(most - least <= allowed, "n = {n}, seed {seed}: {least} to {most}");
        }
    }
}

#[test]
fn no_six_triangles_are_even_in_all_pairings() {
    // Every choice of six of the 24 rows, repeats allowed, by going on only while no sequence
    // has come twice in a pairing.
    let rows: Vec<Vec<usize>> = (0..64)
        .map(|i| vec![i / 16, i / 4 % 4, i % 4])
        .filter(|r| r[0] != r[1] && r[1] != r[2] && r[0] != r[2])
        .collect();
    let pairings = ["AABB", "ABAB", "ABBA"].map(|p| p.chars().collect::<Vec<char>>());
    let masks: Vec<u32> = rows
        .iter()
        .map(|row| {
            let of = |p: usize| {
                let seen: String = row.iter().map(|c| pairings[p][*c]).collect();
                TRIANGLE.iter().position(|s| *s == seen).unwrap() + 6 * p
            };
            1 << of(0) | 1 << of(1) | 1 << of(2)
        })
        .collect();
    fn fill(masks: &[u32], from: usize, used: u32, left: usize) -> usize {
        if left == 0 {
            return 1;
        }
        (from..masks.len())
            .filter(|i| masks[*i] & used == 0)
            .map(|i| fill(masks, i + 1, used | masks[i], left - 1))
            .sum()
    }
    assert_eq!(fill(&masks, 0, 0, 6), 0);
    assert!(fill(&masks, 0, 0, 4) > 0, "the search does find what there is");
}

#[test]
fn duo_trios_have_each_reference_and_each_order_alike_in_every_deal() {
    for n in 1..=13 {
        let made = duo_trios(n, 2, &mut Draws::of_orders(3));
        let mut spread = 0;
        for deal in ["ABAB", "ABBA", "BAAB", "BABA"].map(|d| d.chars().collect::<Vec<_>>()) {
            let counts = DUO_TRIO.map(|s| count(&made.rows, &deal, s));
            assert_eq!(counts.iter().sum::<usize>(), n);
            spread = spread.max(counts.iter().max().unwrap() - counts.iter().min().unwrap());
            // The right answer stands second, or third, as often as can be.
            let second = counts[0] + counts[2];
            assert!(second.abs_diff(n - second) <= 1, "n = {n}: {counts:?}");
        }
        assert!(spread <= usize::from(n % 4 != 0), "n = {n}");
        assert_eq!(made.balance.balanced(), spread == 0);
        let constant = duo_trios(n, 1, &mut Draws::of_orders(3));
        assert!(constant.rows.iter().all(|r| r[0] == 0));
        let first = constant.rows.iter().filter(|r| r[1] == 1).count();
        assert!(first.abs_diff(n - first) <= 1);
    }
}

#[test]
fn pairs_have_either_cup_first_alike() {
    for n in 1..=9 {
        let made = pairs(n, &mut Draws::of_orders(5));
        let first = made.rows.iter().filter(|r| r[0] == 0).count();
        assert!(first.abs_diff(n - first) <= 1);
        assert_eq!(made.balance.balanced(), n % 2 == 0);
    }
}

#[test]
fn incomplete_orders_meet_the_published_counts() {
    // Parameter sets t, k, r, b, lambda of balanced incomplete block designs (Cochran and Cox
    // 1957, from memory, each checked by bk = tr and lambda(t-1) = r(k-1)).
    let mut n = 0;
    for line in include_str!("../data/g14_bibd_parameters.csv").lines().skip(1) {
        let numbers: Vec<usize> = line.split(',').take(5).map(|x| x.parse().unwrap()).collect();
        let [t, k, r, b, lambda] = numbers[..] else { panic!("{line}") };
        if b > 60 || k >= t {
            continue;
        }
        let made = incomplete(t, k, b, &mut Draws::of_orders(7)).unwrap();
        assert_eq!(made.rows.len(), b);
        if made.balance.n_for_balance.is_none_or(|n| b % n != 0) {
            // No design was found, or a smaller one, which does not go into this one.
            continue;
        }
        let has = |c: usize| made.rows.iter().filter(move |row| row.contains(&c));
        for a in 0..t {
            assert_eq!(has(a).count(), r, "t = {t}, k = {k}");
            for other in 0..a {
                let both = has(a).filter(|row| row.contains(&other)).count();
                assert_eq!(both, lambda, "t = {t}, k = {k}");
            }
        }
        assert!(made.balance.balanced() && made.balance.times == (r, r));
        // Places differ by little: a cup that is tasted r times can stand at each of k places
        // r/k times at best.
        assert!(made.balance.place.1 <= r.div_ceil(k) + 1, "{:?}", made.balance);
        n += 1;
    }
    assert!(n > 25, "{n} sets were tried");
}

#[test]
fn incomplete_orders_for_any_number_of_tasters_are_near_to_balance() {
    for n in 1..=14 {
        let made = incomplete(9, 4, n, &mut Draws::of_orders(1)).unwrap();
        for row in &made.rows {
            let distinct: BTreeSet<usize> = row.iter().copied().collect();
            assert!(distinct.len() == 4 && row.iter().all(|c| *c < 9));
        }
        let b = made.balance;
        assert!(b.times.1 - b.times.0 <= 1, "n = {n}: {b:?}");
        assert_eq!((b.n_cups, b.per_taster, b.n_rows), (9, 4, n));
    }
    assert!(incomplete(5, 5, 3, &mut Draws::of_orders(1)).is_none());
    assert!(incomplete(5, 1, 3, &mut Draws::of_orders(1)).is_none());
}
