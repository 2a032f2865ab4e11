//! Positions and everything else that blocks say.

use super::models::{Studio, block, time};
use super::{feed, side_of};
use crate::adm::block::{ObjectBlock, ObjectTraits};
use crate::compare::{Comparison, Movement, PartKind};

fn compared(master: &Studio, mix: &Studio) -> Comparison {
    let sides = (
        side_of(master.model.clone(), master.model.track_uids.len()),
        side_of(mix.model.clone(), mix.model.track_uids.len()),
    );
    feed((&sides.0, &sides.1), (&[], &[]), || 1).0
}

fn movement(master: &Studio, mix: &Studio) -> Movement {
    compared(master, mix).movement.unwrap()
}

/// One object with blocks of a second, once round in steps of ten degrees.
fn circle() -> Vec<ObjectBlock> {
    (0..36_u8)
        .map(|n| block(f64::from(n), 1.0, [10.0 * f64::from(n) - 170.0, 0.0, 1.0]))
        .collect()
}

fn with(traits: ObjectTraits, blocks: Vec<ObjectBlock>) -> Studio {
    let mut studio = Studio::default();
    studio.object("Lead", traits, blocks);
    studio
}

fn object(blocks: Vec<ObjectBlock>) -> Studio {
    with(ObjectTraits::default(), blocks)
}

fn jumping() -> ObjectTraits {
    ObjectTraits {
        jump_position: true,
        ..Default::default()
    }
}

#[test]
fn the_same_movement_is_the_same() {
    let found = movement(&object(circle()), &object(circle()));
    assert_eq!((found.objects, found.objects_that_differ), (1, 0));
    assert_eq!(found.blocks_that_differ, 0);
    assert_eq!(found.largest_angle_deg, 0.0);
    assert_eq!(found.blocks.mix, 36);
}

#[test]
fn one_moved_block_is_told_with_its_angle_and_its_time() {
    let mut blocks = circle();
    blocks[20].position[0] += 4.0;
    let found = movement(&object(blocks), &object(circle()));
    assert_eq!(found.objects_that_differ, 1);
    // The block that moves there and the one that moves on from there.
    assert_eq!(found.blocks_that_differ, 2);
    assert!((found.largest_angle_deg - 4.0).abs() < 1e-9);
    assert_eq!(found.largest_angle_at_s.unwrap().0, 21.0);
    assert_eq!(found.largest_angle_object.as_deref(), Some("Lead"));
    let change = &found.changed.listed[0];
    assert_eq!(change.first_difference_at_s.unwrap().0, 20.0);
    assert!(!change.movement_lost);
    assert!((change.path_deg.mix - 350.0).abs() < 1e-6);
}

#[test]
fn what_an_exporter_rounds_is_no_difference() {
    let rounded = circle()
        .into_iter()
        .enumerate()
        .map(|(n, mut block)| {
            // 0.1 degrees and 0.001 of gain: common practice, no source; a time of five
            // decimals is up to 10 us beside the sample.
            block.position[0] += if n % 2 == 0 { 0.09 } else { -0.09 };
            block.gain += 0.0009;
            block.position[2] -= 0.0009;
            let rtime = block.time.rtime.unwrap().numerator() + 10 * (n as u64 % 3);
            block.time.rtime = Some(time(rtime));
            block
        })
        .collect();
    let found = movement(&object(rounded), &object(circle()));
    assert_eq!(found.blocks_that_differ, 0, "{found:?}");
    // But it is told how large the rounding was.
    assert!((0.08..0.11).contains(&found.largest_angle_deg), "{found:?}");
}

#[test]
fn a_jump_that_comes_a_sample_late_is_no_difference_and_300_ms_are_one() {
    let late = |micros: u64| {
        let mut blocks = circle();
        let rtime = blocks[9].time.rtime.unwrap().numerator() + micros;
        blocks[9].time.rtime = Some(time(rtime));
        blocks[8].time.duration = Some(time(1_000_000 + micros));
        with(jumping(), blocks)
    };
    let mix = with(jumping(), circle());
    assert_eq!(movement(&late(20), &mix).blocks_that_differ, 0);
    // Less than a block that is re-gridded.
    assert_eq!(movement(&late(50_000), &mix).blocks_that_differ, 0);
    let found = movement(&late(300_000), &mix);
    assert_eq!(found.blocks_that_differ, 1);
    assert!((found.largest_angle_deg - 10.0).abs() < 1e-9);
    assert_eq!(found.largest_angle_at_s.unwrap().0, 9.0);
}

#[test]
fn the_same_way_in_other_blocks_is_the_same_way() {
    // Twice as many blocks along the same great circle.
    let halves = (0..72_u8)
        .map(|n| {
            let t = f64::from(n) / 2.0;
            let azimuth = if n < 2 {
                -170.0
            } else {
                5.0 * (f64::from(n) + 1.0) - 180.0
            };
            block(t, 0.5, [azimuth, 0.0, 1.0])
        })
        .collect();
    let found = movement(&object(halves), &object(circle()));
    assert_eq!(found.blocks_that_differ, 0, "{found:?}");
    assert!(found.largest_angle_deg < 1e-6);
}

/// What jumps is at most one block from what glides: the travel of a block is no difference.
#[test]
fn jumps_instead_of_lines_are_the_same_path() {
    for (master, mix) in [
        (with(jumping(), circle()), object(circle())),
        (object(circle()), with(jumping(), circle())),
    ] {
        let found = movement(&master, &mix);
        assert_eq!(found.blocks_that_differ, 0, "{found:?}");
        assert_eq!(found.objects_that_differ, 0, "{found:?}");
        // Under the limit nothing is looked for nearby.
        assert!(found.largest_angle_deg < 0.1001, "{found:?}");
    }
}

/// A curve that is no straight line: azimuth and elevation of sines, sampled every `grid` seconds
/// from 0 to 12 s.
fn wander(grid: f64, of: impl Fn(f64) -> [f64; 3]) -> Vec<ObjectBlock> {
    let count = (12.0 / grid).round() as usize;
    (0..count)
        .map(|n| block(n as f64 * grid, grid, of(n as f64 * grid)))
        .collect()
}

fn place(t: f64) -> [f64; 3] {
    [60.0 * (0.9 * t).sin(), 25.0 * (0.5 * t).sin(), 1.0]
}

#[test]
fn the_same_curve_on_another_grid_is_the_same_to_a_degree() {
    let grids = [0.02, 0.0213, 0.05, 0.1, 0.25];
    for one in grids {
        for other in grids {
            for (jumps, jumping_mix) in [(false, false), (true, false), (false, true), (true, true)]
            {
                let make = |grid: f64, jump: bool| {
                    let traits = if jump {
                        jumping()
                    } else {
                        ObjectTraits::default()
                    };
                    with(traits, wander(grid, place))
                };
                let found = movement(&make(one, jumps), &make(other, jumping_mix));
                assert!(
                    found.largest_angle_deg < 1.0,
                    "{one} {other} {jumps} {jumping_mix}: {}",
                    found.largest_angle_deg
                );
                assert!(
                    !found
                        .changed
                        .listed
                        .iter()
                        .any(|change| change.movement_lost)
                );
            }
        }
    }
}

#[test]
fn positions_rounded_to_a_degree_or_a_hundredth_are_less_than_a_degree_away() {
    let rounded = |grid: f64, step: f64| {
        wander(grid, |t| {
            let [azimuth, elevation, distance] = place(t);
            let round = |value: f64| (value / step).round() * step;
            [round(azimuth), round(elevation), distance]
        })
    };
    for grid in [0.02, 0.05, 0.25] {
        let found = movement(&object(rounded(grid, 1.0)), &object(wander(grid, place)));
        // Half a degree either way, in both.
        assert!(found.largest_angle_deg < 0.71, "{grid}: {found:?}");
        assert!(found.largest_angle_deg > 0.1, "{grid}: {found:?}");
    }
    let cartesian = || ObjectTraits {
        cartesian: true,
        ..Default::default()
    };
    // Through the middle of the room, where directions turn by any angle.
    let line = |t: f64| [0.9 * (0.4 * t).sin(), 0.7 * (0.7 * t).cos(), 0.03];
    let hundredths = wander(0.05, |t| {
        line(t).map(|value| (value * 100.0).round() / 100.0)
    });
    let found = movement(
        &with(cartesian(), hundredths),
        &with(cartesian(), wander(0.05, line)),
    );
    assert!(found.largest_angle_deg < 1.0, "{found:?}");
}

#[test]
fn what_is_really_moved_is_told_on_any_grid() {
    let mix = object(wander(0.05, place));
    for grid in [0.02, 0.05, 0.1] {
        let told = |of: &dyn Fn(f64) -> [f64; 3]| {
            movement(&object(wander(grid, of)), &mix).largest_angle_deg
        };
        // Up by three degrees; mirrored; 300 ms late; standing still.
        let up = told(&|t| {
            let [azimuth, elevation, distance] = place(t);
            [azimuth, elevation + 3.0, distance]
        });
        assert!((2.0..=3.1).contains(&up), "{grid}: {up}");
        let mirrored = told(&|t| {
            let [azimuth, elevation, distance] = place(t);
            [-azimuth, elevation, distance]
        });
        assert!(mirrored > 90.0, "{grid}: {mirrored}");
        let late = told(&|t| place((t - 0.3).max(0.0)));
        // 54 degrees a second at the most, over 300 ms less a block.
        assert!((8.0..17.0).contains(&late), "{grid}: {late}");
        let still = told(&|_| [0.0, 0.0, 1.0]);
        assert!(still > 55.0, "{grid}: {still}");
    }
}

#[test]
fn polar_and_cartesian_blocks_of_one_circle_are_the_same_path() {
    let cartesian = || ObjectTraits {
        cartesian: true,
        ..Default::default()
    };
    // BS.2076-2, clause 8: X to the right, Y to the front.
    let directions = wander(0.05, |t| {
        let [azimuth, elevation, _] = place(t).map(f64::to_radians);
        [
            -azimuth.sin() * elevation.cos(),
            azimuth.cos() * elevation.cos(),
            elevation.sin(),
        ]
    });
    let found = movement(&with(cartesian(), directions), &object(wander(0.05, place)));
    assert!(found.largest_angle_deg < 1.0, "{found:?}");
    // In the room of BS.2127-1, clause 10, the front corners are 30 degrees of azimuth.
    let corner = |x: f64| vec![block(0.0, 12.0, [x, 1.0, 0.0])];
    let angle = |azimuth: f64| vec![block(0.0, 12.0, [azimuth, 0.0, 1.0])];
    let found = movement(&with(cartesian(), corner(-1.0)), &object(angle(30.0)));
    assert!(found.largest_angle_deg < 1e-6, "{found:?}");
    let found = movement(&with(cartesian(), corner(1.0)), &object(angle(30.0)));
    assert!(found.largest_angle_deg > 50.0, "{found:?}");
}

#[test]
fn a_frozen_object_has_lost_its_movement() {
    let frozen = circle()
        .into_iter()
        .map(|mut block| {
            block.position = [0.0, 0.0, 1.0];
            block
        })
        .collect();
    let found = movement(&object(frozen), &object(circle()));
    let change = &found.changed.listed[0];
    assert!(change.movement_lost);
    assert_eq!(change.path_deg.master, 0.0);
    assert!((change.largest_angle_deg - 180.0).abs() < 1e-6);
    // Half the movement is not lost.
    let mut halved = circle();
    halved.truncate(18);
    let found = movement(&object(halved), &object(circle()));
    let change = &found.changed.listed[0];
    assert!(!change.movement_lost);
    assert!((change.only_in_mix_s.0 - 18.0).abs() < 1e-9);
    assert_eq!(change.blocks_that_differ, 18);
}

#[test]
fn an_object_that_became_a_loudspeaker_has_lost_its_movement() {
    let mut baked = Studio::default();
    baked.bed("Lead", &[("M+000", 0.0, 0.0)]);
    let found = movement(&baked, &object(circle()));
    let change = &found.changed.listed[0];
    assert!(change.movement_lost);
    let kind = change.kind.as_ref().unwrap();
    assert_eq!((kind.mix, kind.master), (PartKind::Object, PartKind::Bed));
    assert!(change.largest_angle_deg > 179.0);
}

#[test]
fn everything_else_that_a_block_says_is_compared() {
    let mix = object(circle());
    let mut louder = circle();
    louder[5].gain = 1.25;
    let found = movement(&object(louder), &mix);
    let change = &found.changed.listed[0];
    assert!((change.largest_gain_difference - 0.25).abs() < 1e-12);
    assert_eq!(change.largest_gain_difference_at_s.unwrap().0, 6.0);
    assert_eq!(change.blocks_that_differ, 2);

    let wide = with(
        ObjectTraits {
            width: 20.0,
            diffuse: 0.5,
            ..Default::default()
        },
        circle(),
    );
    let found = movement(&wide, &mix);
    let change = &found.changed.listed[0];
    assert_eq!(change.largest_size_difference, 20.0);
    assert_eq!(change.largest_diffuse_difference, 0.5);
    assert_eq!(change.blocks_that_differ, 36);

    let locked = with(
        ObjectTraits {
            channel_lock: Some(crate::adm::block::ChannelLock { max_distance: None }),
            ..Default::default()
        },
        circle(),
    );
    let found = movement(&locked, &mix);
    assert_eq!(found.changed.listed[0].blocks_with_other_properties, 36);
    assert_eq!(found.blocks_that_differ, 0);

    let mut muted = object(circle());
    muted.model.objects[0].mute = true;
    muted.model.objects[0].start = Some(time(2_000_000));
    let found = movement(&muted, &mix);
    let change = &found.changed.listed[0];
    assert!(change.mute.as_ref().unwrap().master);
    assert_eq!(change.start_s.as_ref().unwrap().master.unwrap().0, 2.0);
    assert!(change.blocks_that_differ > 30);
}

#[test]
fn cartesian_positions_move_in_straight_lines() {
    let traits = || ObjectTraits {
        cartesian: true,
        ..Default::default()
    };
    let line = || {
        vec![
            block(0.0, 1.0, [-1.0, 1.0, 0.0]),
            block(1.0, 4.0, [1.0, 1.0, 0.0]),
        ]
    };
    let mix = with(traits(), line());
    assert_eq!(
        movement(&with(traits(), line()), &mix).blocks_that_differ,
        0
    );
    // A block more, on the line: a quarter of the way after a second.
    let split = vec![
        block(0.0, 1.0, [-1.0, 1.0, 0.0]),
        block(1.0, 1.0, [-0.5, 1.0, 0.0]),
        block(2.0, 3.0, [1.0, 1.0, 0.0]),
    ];
    let found = movement(&with(traits(), split), &mix);
    assert_eq!(found.blocks_that_differ, 0, "{found:?}");
    // The same ends along the great circle are another way; how far it is depends on how much
    // of it the travel of one block explains, and is less than without.
    let polar = vec![
        block(0.0, 1.0, [45.0, 0.0, 1.0]),
        block(1.0, 1.0, [22.5, 0.0, 1.0]),
        block(2.0, 3.0, [-45.0, 0.0, 1.0]),
    ];
    let found = movement(&object(polar), &mix);
    let expected = 0.5_f64.atan().to_degrees() - 22.5;
    assert!(found.largest_angle_deg <= expected, "{found:?}");
}

#[test]
fn a_master_that_was_moved_as_a_whole_moves_as_the_mix() {
    use super::signals::{late, notes};
    let mix = object(circle());
    let mut moved = object(circle());
    moved.model.objects[0].start = Some(time(500_000));
    let music = [notes(3, 8.0)];
    let sides = (side_of(moved.model, 1), side_of(mix.model, 1));
    let found = feed(
        (&sides.0, &sides.1),
        (&[late(&music[0], 24_000)], &music),
        || 9_600,
    )
    .0;
    assert_eq!(found.timing.offset_frames, Some(24_000));
    let movement = found.movement.unwrap();
    assert_eq!(movement.aligned_by_frames, 24_000);
    assert_eq!(movement.blocks_that_differ, 0, "{movement:?}");
}

#[test]
fn blocks_in_no_order_are_walked_over_without_harm() {
    let mut dice = super::signals::Dice::new(3);
    for _ in 0..200 {
        let mut blocks = || -> Vec<ObjectBlock> {
            (0..20)
                .map(|_| {
                    let mut block = block(
                        3.0 * dice.share(),
                        dice.share(),
                        [400.0 * dice.share(), f64::NAN, dice.share()],
                    );
                    if dice.below(5) == 0 {
                        block.time.duration = None;
                    }
                    if dice.below(9) == 0 {
                        block.time.rtime = None;
                    }
                    block
                })
                .collect()
        };
        let (one, other) = (object(blocks()), with(jumping(), blocks()));
        let found = compared(&one, &other);
        let text = serde_json::to_string(&found).unwrap();
        // What is no number is written as null and cannot be read back as a number.
        serde_json::from_str::<Comparison>(&text).unwrap();
    }
}

/// The stress case of the issue: two million blocks.
#[test]
fn two_million_blocks_are_compared_in_seconds() {
    let blocks: Vec<ObjectBlock> = (0..17_000_u64)
        .map(|n| {
            let angle = n as f64 * 0.37;
            ObjectBlock {
                time: crate::adm::block::BlockTime {
                    rtime: Some(time(n * 30_000)),
                    duration: Some(time(30_000)),
                },
                ..block(0.0, 0.03, [angle % 360.0 - 180.0, 20.0, 1.0])
            }
        })
        .collect();
    let (mut mix, mut master) = (Studio::default(), Studio::default());
    for n in 0..118 {
        let name = format!("Object {n}");
        mix.object(&name, ObjectTraits::default(), blocks.clone());
        let object = master.object(&name, ObjectTraits::default(), blocks.clone());
        if n == 77 {
            master.blocks(object).blocks[9_000].position[1] = 25.0;
        }
    }
    let begun = std::time::Instant::now();
    let found = movement(&master, &mix);
    let took = begun.elapsed();
    println!("{} blocks of each in {took:?}", found.blocks.mix);
    assert_eq!(found.blocks.mix, 118 * 17_000);
    assert_eq!(found.blocks_that_differ, 2);
    assert_eq!(found.changed.listed[0].part.name, "Object 77");
    assert!((found.largest_angle_deg - 5.0).abs() < 1e-6);
    // A walk that is not linear would take hours.
    assert!(took.as_secs() < 60, "{took:?}");
}
