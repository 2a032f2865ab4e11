//! What the elements of BS.2076-2 become in the model.

use super::{classes, inside, read};
use crate::adm::block::{
    Blocks, ChannelLock, Divergence, HeadphoneVirtualise, HorizontalEdge, ObjectTraits,
    SpeakerPosition, VerticalEdge, Zone,
};
use crate::adm::model::{PositionOffset, Screen, TypeDefinition};
use crate::adm::time::AdmTime;

fn time(text: &str) -> Option<AdmTime> {
    Some(AdmTime::parse(text).unwrap())
}

/// One Objects channel with these blocks.
fn objects(blocks: &str) -> crate::adm::block::ObjectBlocks {
    let parsed = inside(&format!(
        "<audioChannelFormat audioChannelFormatID='AC_00031001' typeDefinition='Objects'>{blocks}</audioChannelFormat>"
    ));
    assert_eq!(classes(&parsed), [""; 0], "{:?}", parsed.findings);
    match &parsed.model.channels[0].blocks {
        Blocks::Objects(blocks) => blocks.clone(),
        other => panic!("{other:?}"),
    }
}

/// BS.2076-2, clause 5.4.3.3.
#[test]
fn an_objects_block_is_read_whole() {
    let blocks = objects(
        "<audioBlockFormat audioBlockFormatID='AB_00031001_0000000a' rtime='00:00:00.1S2' duration='00:00:01.25000'>
           <position coordinate='azimuth' screenEdgeLock='left'> 30.5 </position>
           <position coordinate='elevation' screenEdgeLock='top'>-5</position>
           <position coordinate='distance'>0.9</position>
           <gain gainUnit='dB'>-20</gain><width>45</width><height>20</height><depth>0.2</depth>
           <diffuse>0.5</diffuse><channelLock maxDistance='1.5'>1</channelLock>
           <objectDivergence azimuthRange='60'>0.5
           </objectDivergence>
           <jumpPosition interpolationLength='0.005208'>1</jumpPosition>
           <screenRef>1</screenRef><importance>7</importance><headLocked>1</headLocked>
           <headphoneVirtualise DRR='-60' bypass='1'/>
           <zoneExclusion><zone minAzimuth='100' maxAzimuth='-100' minElevation='-30' maxElevation='30'/>
             <zone minX='-1' maxX='1' minY='0.5' maxY='1' minZ='-1' maxZ='1'></zone></zoneExclusion>
         </audioBlockFormat>",
    );
    let block = blocks.blocks[0];
    assert_eq!(block.number, 10);
    assert_eq!(block.time.rtime, time("00:00:00.1S2"));
    assert_eq!(block.time.duration, time("00:00:01.25"));
    assert_eq!(block.position, [30.5, -5.0, 0.9]);
    assert!((block.gain - 0.1).abs() < 1e-15);
    let traits = blocks.traits_of(&block);
    assert_eq!(
        (traits.width, traits.height, traits.depth, traits.diffuse),
        (45.0, 20.0, 0.2, 0.5)
    );
    assert_eq!(
        traits.channel_lock,
        Some(ChannelLock {
            max_distance: Some(1.5)
        })
    );
    assert_eq!(
        traits.divergence,
        Some(Divergence {
            value: 0.5,
            azimuth_range: Some(60.0),
            position_range: None
        })
    );
    assert!(traits.jump_position && traits.screen_ref && traits.head_locked && !traits.cartesian);
    assert_eq!(traits.interpolation_length, AdmTime::new(5208, 1_000_000));
    assert_eq!(traits.importance, 7);
    assert_eq!(
        traits.screen_edge_lock.horizontal,
        Some(HorizontalEdge::Left)
    );
    assert_eq!(traits.screen_edge_lock.vertical, Some(VerticalEdge::Top));
    assert_eq!(
        traits.headphone_virtualise,
        Some(HeadphoneVirtualise {
            bypass: true,
            direct_to_reverberant_ratio_db: -60.0
        })
    );
    assert_eq!(
        traits.zone_exclusion,
        [
            Zone::Polar {
                min_azimuth: 100.0,
                max_azimuth: -100.0,
                min_elevation: -30.0,
                max_elevation: 30.0
            },
            Zone::Cartesian {
                min: [-1.0, 0.5, -1.0],
                max: [1.0, 1.0, 1.0]
            },
        ]
    );
}

/// BS.2076-2, clause 5.4.3.3: defaults.
#[test]
fn what_a_block_does_not_say_is_the_default() {
    let blocks = objects(
        "<audioBlockFormat audioBlockFormatID='AB_00031001_00000001'><position coordinate='azimuth'>0</position><position coordinate='elevation'>0</position></audioBlockFormat>",
    );
    assert_eq!(blocks.blocks[0].position, [0.0, 0.0, 1.0]);
    assert_eq!(blocks.blocks[0].gain, 1.0);
    assert_eq!(blocks.blocks[0].time.rtime, None);
    assert_eq!(blocks.traits, [ObjectTraits::default()]);
    let blocks = objects(
        "<audioBlockFormat audioBlockFormatID='AB_00031001_00000001'><cartesian>1</cartesian><position coordinate='X'>-0.5</position><position coordinate='Y'>1</position></audioBlockFormat>",
    );
    assert_eq!(blocks.blocks[0].position, [-0.5, 1.0, 0.0]);
    assert!(blocks.traits[0].cartesian);
}

#[test]
fn a_block_is_56_bytes_and_shares_its_traits() {
    let block = |number: u32, width: u32| {
        format!(
            "<audioBlockFormat audioBlockFormatID='AB_00031001_{number:08x}' rtime='00:00:{number:02}.00000' duration='00:00:01.00000'><position coordinate='azimuth'>{number}</position><position coordinate='elevation'>0</position><width>{width}</width></audioBlockFormat>"
        )
    };
    let text: String = (0..20).map(|number| block(number, number % 2)).collect();
    let blocks = objects(&text);
    assert_eq!((blocks.blocks.len(), blocks.traits.len()), (20, 2));
    assert_eq!(size_of_val(&blocks.blocks[0]), 56);
    let text: String = (0..20).map(|number| block(number, number)).collect();
    assert_eq!(objects(&text).traits.len(), 20);
}

#[test]
fn blocks_come_in_order_of_time() {
    let block = |number: u32, second: u32| {
        format!(
            "<audioBlockFormat audioBlockFormatID='AB_00031001_{number:08x}' rtime='00:00:{second:02}.00000' duration='00:00:01.00000'><position coordinate='azimuth'>0</position><position coordinate='elevation'>0</position></audioBlockFormat>"
        )
    };
    let parsed = inside(&format!(
        "<audioChannelFormat audioChannelFormatID='AC_00031001' typeDefinition='Objects'>{}{}{}</audioChannelFormat>",
        block(1, 2),
        block(2, 0),
        block(3, 1)
    ));
    assert_eq!(classes(&parsed), ["adm-block-order"]);
    let numbers: Vec<u32> = parsed.model.channels[0]
        .blocks
        .times()
        .map(|(_, number)| number)
        .collect();
    assert_eq!(numbers, [2, 3, 1]);
}

/// BS.2076-2, clause 5.4.3.1.
#[test]
fn a_loudspeaker_block_has_labels_and_bounds() {
    let parsed = inside(
        "<audioChannelFormat audioChannelFormatID='AC_00011001' typeLabel='0001' audioChannelFormatName='A &amp; B'><frequency typeDefinition='lowPass'>120</frequency>
           <audioBlockFormat audioBlockFormatID='AB_00011001_00000001'>
             <speakerLabel>M+030</speakerLabel><speakerLabel>urn:itu:bs:2051:0:speaker:M+030</speakerLabel>
             <position coordinate='azimuth'>30</position><position coordinate='azimuth' bound='min'>25</position>
             <position coordinate='azimuth' bound='max'>35</position><position coordinate='elevation'>0</position>
             <gain>0.5</gain><importance>5</importance></audioBlockFormat></audioChannelFormat>",
    );
    assert_eq!(classes(&parsed), [""; 0]);
    let channel = &parsed.model.channels[0];
    assert_eq!(channel.name, "A & B");
    assert_eq!(channel.frequency.low_pass, Some(120.0));
    let Blocks::DirectSpeakers(blocks) = &channel.blocks else {
        panic!()
    };
    let block = &blocks[0];
    assert_eq!(block.labels, ["M+030", "urn:itu:bs:2051:0:speaker:M+030"]);
    assert_eq!((block.gain, block.importance), (0.5, 5));
    let SpeakerPosition::Polar {
        azimuth,
        elevation,
        distance,
    } = block.position
    else {
        panic!()
    };
    assert_eq!(
        (azimuth.value, azimuth.min, azimuth.max),
        (30.0, Some(25.0), Some(35.0))
    );
    assert_eq!((elevation.value, distance.value), (0.0, 1.0));
}

/// BS.2076-2, clauses 5.4.3.2 and 5.4.3.4; outputChannelIDRef is BS.2076-1's name.
#[test]
fn hoa_matrix_and_binaural_blocks_are_read() {
    let parsed = inside(
        "<audioPackFormat audioPackFormatID='AP_00041001' typeDefinition='HOA' normalization='N3D' nfcRefDist='2' screenRef='1' importance='9'/>
         <audioChannelFormat audioChannelFormatID='AC_00041001' typeDefinition='HOA'><audioBlockFormat audioBlockFormatID='AB_00041001_00000001'><order>1</order><degree>-1</degree><normalization>SN3D</normalization><nfcRefDist>2.0</nfcRefDist><screenRef>0</screenRef><gain gainUnit='dB'>-20</gain><importance>3</importance></audioBlockFormat></audioChannelFormat>
         <audioChannelFormat audioChannelFormatID='AC_00021001' typeDefinition='Matrix'><audioBlockFormat audioBlockFormatID='AB_00021001_00000001'><matrix><coefficient gain='-20' gainUnit='dB' delay='1.5' phaseVar='p'>AC_00010001</coefficient><coefficient>AC_00041001</coefficient></matrix><outputChannelIDRef>AC_00010002</outputChannelIDRef></audioBlockFormat></audioChannelFormat>
         <audioChannelFormat audioChannelFormatID='AC_00051001' typeDefinition='Binaural'><audioBlockFormat audioBlockFormatID='AB_00051001_00000001' lstart='00:00:00.00000' lduration='00:00:01.00000'><gain>0.5</gain></audioBlockFormat></audioChannelFormat>",
    );
    assert_eq!(classes(&parsed), [""; 0]);
    let model = &parsed.model;
    let pack = &model.packs[0];
    assert_eq!(
        (
            pack.normalization.as_deref(),
            pack.nfc_ref_dist,
            pack.screen_ref,
            pack.importance
        ),
        (Some("N3D"), Some(2.0), Some(true), Some(9))
    );
    let own: Vec<_> = model
        .channels
        .iter()
        .filter(|channel| !channel.common)
        .collect();
    let Blocks::Hoa(hoa) = &own[0].blocks else {
        panic!()
    };
    assert_eq!(
        (hoa[0].order, hoa[0].degree, hoa[0].importance),
        (Some(1), Some(-1), 3)
    );
    assert_eq!(
        (hoa[0].nfc_ref_dist, hoa[0].screen_ref),
        (Some(2.0), Some(false))
    );
    assert!((hoa[0].gain - 0.1).abs() < 1e-15);
    let Blocks::Matrix(matrix) = &own[1].blocks else {
        panic!()
    };
    let [first, second] = &matrix[0].coefficients[..] else {
        panic!()
    };
    assert!((first.gain.unwrap() - 0.1).abs() < 1e-15);
    assert_eq!(
        (first.delay_ms, first.phase_var.as_deref(), second.gain),
        (Some(1.5), Some("p"), None)
    );
    assert_eq!(
        model.channels[first.input_channel.index().unwrap()].id,
        "AC_00010001"
    );
    assert_eq!(
        model.channels[matrix[0].output_channel.as_ref().unwrap().index().unwrap()].id,
        "AC_00010002"
    );
    let Blocks::Binaural(binaural) = &own[2].blocks else {
        panic!()
    };
    assert_eq!(
        (binaural[0].gain, binaural[0].time.duration),
        (0.5, time("00:00:01.00000"))
    );
}

/// BS.2076-2, clauses 5.6 to 5.8.
#[test]
fn programme_content_and_object_are_read_whole() {
    let parsed = inside(
        "<audioProgramme audioProgrammeID='APR_1001' audioProgrammeName='Main' audioProgrammeLanguage='en' start='00:00:00.1S48000' end='00:00:10.00000'>
           <audioContentIDRef> ACO_1001 </audioContentIDRef><alternativeValueSetIDRef>AVS_1001_0001</alternativeValueSetIDRef>
           <audioProgrammeReferenceScreen><aspectRatio>1.33</aspectRatio><screenCentrePosition azimuth='1' elevation='2' distance='0.5'/><screenWidth azimuth='40'/></audioProgrammeReferenceScreen>
           <loudnessMetadata loudnessMethod='ITU-R BS.1770' loudnessRecType='R128' loudnessCorrectionType='File'><integratedLoudness>-23.0</integratedLoudness><loudnessRange>10</loudnessRange><maxTruePeak>-2.3</maxTruePeak><maxMomentary>-19</maxMomentary><maxShortTerm>-21.2</maxShortTerm><dialogueLoudness>-24</dialogueLoudness><renderer uri='urn:x'>a</renderer></loudnessMetadata>
         </audioProgramme>
         <audioContent audioContentID='ACO_1001' audioContentLanguage='de'><audioObjectIDRef>ao_1001</audioObjectIDRef><dialogue dialogueContentKind='2'>1</dialogue></audioContent>
         <audioObject audioObjectID='AO_1001' start='00:00:01.00000' duration='00:00:02.00000' dialogue='0' importance='10' interact='0' disableDucking='1'>
           <audioTrackUIDRef>ATU_00000001</audioTrackUIDRef><audioTrackUIDRef>ATU_00000000</audioTrackUIDRef>
           <gain gainUnit='dB'>-20</gain><mute>1</mute><positionOffset coordinate='azimuth'>30</positionOffset><positionOffset coordinate='distance'>0.9</positionOffset>
           <audioComplementaryObjectIDRef>AO_1002</audioComplementaryObjectIDRef>
           <alternativeValueSet alternativeValueSetID='AVS_1001_0001'><gain>0.5</gain><mute>0</mute><positionOffset coordinate='X'>-0.2</positionOffset></alternativeValueSet>
           <audioObjectInteraction onOffInteract='1'><gainInteractionRange bound='min'>x</gainInteractionRange></audioObjectInteraction>
         </audioObject><audioObject audioObjectID='AO_1002'/>
         <audioTrackUID UID='ATU_00000001' sampleRate='48000' bitDepth='24'/>",
    );
    assert_eq!(classes(&parsed), [""; 0]);
    let model = &parsed.model;
    let programme = &model.programmes[0];
    assert_eq!(
        (programme.start, programme.end),
        (time("00:00:00.1S48000"), time("00:00:10.00000"))
    );
    assert_eq!(programme.contents[0].index(), Some(0));
    assert_eq!(programme.alternative_values, ["AVS_1001_0001"]);
    assert_eq!(
        programme.reference_screen,
        Some(Screen::Polar {
            aspect_ratio: 1.33,
            azimuth: 1.0,
            elevation: 2.0,
            distance: 0.5,
            width_azimuth: 40.0
        })
    );
    let loudness = &programme.loudness[0];
    assert_eq!(
        [
            loudness.integrated_lufs,
            loudness.range_lu,
            loudness.max_true_peak_dbtp,
            loudness.max_momentary_lufs,
            loudness.max_short_term_lufs,
            loudness.dialogue_lufs
        ],
        [-23.0, 10.0, -2.3, -19.0, -21.2, -24.0].map(Some)
    );
    assert_eq!(loudness.method.as_deref(), Some("ITU-R BS.1770"));
    assert_eq!(loudness.renderers, ["urn:x a"]);
    assert_eq!(model.contents[0].dialogue, Some(1));
    // Ids are compared without regard to case.
    assert_eq!(model.contents[0].objects[0].index(), Some(0));
    let object = &model.objects[0];
    assert_eq!(object.track_uids[0].as_ref().unwrap().index(), Some(0));
    assert_eq!(object.track_uids[1], None);
    assert!((object.gain - 0.1).abs() < 1e-15 && object.mute);
    assert_eq!(
        object.position_offset,
        Some(PositionOffset::Polar {
            azimuth: 30.0,
            elevation: 0.0,
            distance: 0.9
        })
    );
    assert_eq!(object.complementary[0].index(), Some(1));
    assert_eq!(
        (object.interact, object.disable_ducking),
        (Some(false), Some(true))
    );
    let set = &object.alternative_values[0];
    assert_eq!((set.gain, set.mute), (Some(0.5), Some(false)));
    assert_eq!(
        set.position_offset,
        Some(PositionOffset::Cartesian {
            x: -0.2,
            y: 0.0,
            z: 0.0
        })
    );
    let uid = &model.track_uids[0];
    assert_eq!(
        (uid.sample_rate, uid.bit_depth, uid.track_index),
        (Some(48_000), Some(24), None)
    );
}

/// The reference renderer (ear 2.1.0) wants aspectRatio as an attribute; BS.2076-2, clause
/// 5.7.5, has an element.
#[test]
fn a_reference_screen_is_read_in_either_form() {
    let screen = |text: &str| {
        let parsed = inside(&format!(
            "<audioProgramme audioProgrammeID='APR_1001'>{text}</audioProgramme>"
        ));
        parsed.model.programmes[0].reference_screen
    };
    let attribute = screen(
        "<audioProgrammeReferenceScreen aspectRatio='2.39'><screenCentrePosition azimuth='0.0' elevation='0.0' distance='1.0'/><screenWidth azimuth='40.0'/></audioProgrammeReferenceScreen>",
    );
    let element = screen(
        "<audioProgrammeReferenceScreen><aspectRatio>2.39</aspectRatio><screenCentrePosition azimuth='0.0' elevation='0.0' distance='1.0'/><screenWidth azimuth='40.0'/></audioProgrammeReferenceScreen>",
    );
    assert_eq!(attribute, element);
    assert!(matches!(
        element,
        Some(Screen::Polar {
            aspect_ratio: 2.39,
            width_azimuth: 40.0,
            ..
        })
    ));
    assert_eq!(
        screen(
            "<audioProgrammeReferenceScreen><screenCentrePosition X='0' Y='1' Z='0.1'/><screenWidth X='0.8'/></audioProgrammeReferenceScreen>"
        ),
        Some(Screen::Cartesian {
            aspect_ratio: 1.78,
            centre: [0.0, 1.0, 0.1],
            width_x: 0.8
        })
    );
    assert_eq!(
        screen("<audioProgrammeReferenceScreen/>"),
        Some(Screen::default())
    );
}

#[test]
fn the_format_is_found_wherever_it_stands() {
    for document in [
        "<audioFormatExtended version='ITU-R_BS.2076-2'/>",
        "<ituADM><audioFormatExtended version='ITU-R_BS.2076-2'/></ituADM>",
        "<e:ebuCoreMain xmlns:e='urn:ebu'><e:coreMetadata><e:format><e:audioFormatExtended version='ITU-R_BS.2076-2'/></e:format></e:coreMetadata></e:ebuCoreMain>",
        "<frame version='ITU-R_BS.2125-1'><frameHeader/><audioFormatExtended version='ITU-R_BS.2076-2'/></frame>",
    ] {
        let parsed = read(document);
        assert!(parsed.usable && parsed.findings.is_empty(), "{document}");
        assert_eq!(parsed.model.revision(), 2, "{document}");
    }
    assert_eq!(read("<audioFormatExtended/>").model.revision(), 1);
    let profiles = inside(
        "<profileList><profile profileName='n' profileVersion='1' profileLevel='2'>v</profile></profileList>",
    );
    assert_eq!(profiles.model.profiles, ["n, 1, 2, v"]);
}

/// BS.2076-2, clauses 5.1, 5.2 and 5.9; the type may be label or word.
#[test]
fn track_and_stream_formats_find_each_other_from_either_side() {
    let parts = |stream: &str, track: &str| {
        let parsed = inside(&format!(
            "<audioChannelFormat audioChannelFormatID='AC_00031001' typeLabel='0003'/>
             <audioStreamFormat audioStreamFormatID='AS_00031001' formatLabel='0001'><audioChannelFormatIDRef>AC_00031001</audioChannelFormatIDRef>{stream}</audioStreamFormat>
             <audioTrackFormat audioTrackFormatID='AT_00031001_01' formatDefinition='PCM'>{track}</audioTrackFormat>
             <audioTrackUID UID='ATU_00000001'><audioTrackFormatIDRef>AT_00031001_01</audioTrackFormatIDRef></audioTrackUID>"
        ));
        assert_eq!(
            parsed.model.channels[0].type_definition,
            TypeDefinition::Objects
        );
        assert_eq!(
            parsed.model.channel_of(&parsed.model.track_uids[0]),
            Some(0)
        );
        assert_eq!(parsed.model.streams[0].tracks.len(), 1);
    };
    let (stream, track) = (
        "<audioTrackFormatIDRef>AT_00031001_01</audioTrackFormatIDRef>",
        "<audioStreamFormatIDRef>AS_00031001</audioStreamFormatIDRef>",
    );
    parts(stream, track);
    parts(stream, "");
    parts("", track);
}

/// BS.2094: the common definitions; those that a file uses stand before its own elements.
#[test]
fn common_definitions_come_first_and_only_where_they_are_used() {
    let parsed = inside(
        "<audioObject audioObjectID='AO_1001'><audioPackFormatIDRef>AP_00040003</audioPackFormatIDRef></audioObject>
         <audioPackFormat audioPackFormatID='AP_00011001' typeLabel='0001'><audioChannelFormatIDRef>AC_00010001</audioChannelFormatIDRef></audioPackFormat>
         <audioTrackUID UID='ATU_00000001'><audioTrackFormatIDRef>AT_00010002_01</audioTrackFormatIDRef></audioTrackUID>",
    );
    let model = &parsed.model;
    // Order 3 holds order 2, which holds order 1.
    let packs: Vec<(&str, bool)> = model
        .packs
        .iter()
        .map(|pack| (pack.id.as_str(), pack.common))
        .collect();
    assert_eq!(
        packs,
        [
            ("AP_00040001", true),
            ("AP_00040002", true),
            ("AP_00040003", true),
            ("AP_00011001", false)
        ]
    );
    // 16 components, the left loudspeaker, and the right one by way of its track format.
    assert_eq!(model.channels.len(), 18);
    assert!(model.channels.iter().all(|channel| channel.common));
    assert_eq!((model.streams.len(), model.track_formats.len()), (1, 1));
    assert_eq!(
        model.channels[model.channel_of(&model.track_uids[0]).unwrap()].name,
        "FrontRight"
    );
    let channel = model.packs[3].channels[0].index().unwrap();
    assert_eq!(model.channels[channel].name, "FrontLeft");

    let own = inside(
        "<audioObject audioObjectID='AO_1001'><audioPackFormatIDRef>AP_00010001</audioPackFormatIDRef></audioObject>
         <audioPackFormat audioPackFormatID='AP_00010001' audioPackFormatName='own' typeLabel='0001'/>",
    );
    assert_eq!(own.model.packs.len(), 1);
    assert_eq!(own.model.packs[0].name, "own");
}
