//! One digest for all profiles that judge alike.

use serde_json::{Map, Value, json};

use super::model::{Choice, Limit, Rule};
use crate::layout::Label;

/// BLAKE3 of what decides a judgement, as JSON with sorted keys: the limits, the labels
/// given to files that do not say theirs, and the renders. Names, titles and sources decide nothing.
pub fn digest<'a>(
    limits: impl Iterator<Item = (&'a String, &'a Limit)>,
    channels: Option<&[Label]>,
    renders: Option<&[String]>,
) -> String {
    let limits: Map<String, Value> = limits
        .map(|(id, limit)| (id.clone(), canonical(limit)))
        .collect();
    let mut all = json!({ "channels": channels, "limits": limits });
    // Only where they are said: profiles of files without objects keep their digest.
    if let Some(renders) = renders {
        all["renders"] = json!(renders);
    }
    blake3::hash(all.to_string().as_bytes())
        .to_hex()
        .to_string()
}

fn canonical(limit: &Limit) -> Value {
    let rule = match &limit.rule {
        Rule::AtMost(value) => json!({ "at_most": value }),
        Rule::AtLeast(value) => json!({ "at_least": value }),
        Rule::Within(low, high) => json!({ "within": [low, high] }),
        Rule::Target { target, tolerance } => json!({ "target": target, "tolerance": tolerance }),
        Rule::OneOf(choices) => {
            // The order of a choice and the case of its words decide nothing.
            let mut words: Vec<String> = choices
                .iter()
                .map(|choice| match choice {
                    Choice::Number(number) => json!(number).to_string(),
                    Choice::Text(text) => json!(text.to_lowercase()).to_string(),
                })
                .collect();
            words.sort();
            words.dedup();
            json!({ "one_of": words })
        }
        Rule::Matches(pattern) => json!({ "matches": pattern.as_str() }),
        Rule::Required(fields) => {
            let mut fields = fields.clone();
            fields.sort();
            fields.dedup();
            json!({ "required": fields })
        }
        Rule::Never => json!("never"),
        Rule::Report => json!("report"),
    };
    let mut canonical = json!({
        "margin": limit.margin,
        "render": limit.render,
        "rule": rule,
        "severity": limit.severity,
    });
    // Only where they are said: limits without them keep their digest.
    if limit.if_compared {
        canonical["if_compared"] = json!(true);
    }
    if let Some(aim) = limit.advise_below {
        canonical["advise_below"] = json!(aim);
    }
    canonical
}
