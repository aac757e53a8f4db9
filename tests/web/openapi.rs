//! The OpenAPI document held against what the server answers.

use std::sync::Arc;
use std::time::Duration;

use lampward::pure::keeper::{Answer, Delivery, Elsewhere, Ends, Hand, Miss, Override, Tried, TriedPlug};
use lampward::pure::power::Power;
use serde_json::{Value, json};

use crate::house::{House, now, plain_web, utc};

/// The part of JSON Schema that the document uses. Says where a value does not fit.
fn misfit(document: &Value, schema: &Value, value: &Value, at: &str) -> Option<String> {
    if let Some(pointer) = schema["$ref"].as_str() {
        let target = document.pointer(pointer.trim_start_matches('#'));
        return misfit(document, target.unwrap_or_else(|| panic!("{pointer} leads nowhere")), value, at);
    }
    if let Some(choices) = schema["oneOf"].as_array() {
        let fits = choices.iter().filter(|choice| misfit(document, choice, value, at).is_none()).count();
        return (fits != 1).then(|| format!("{at}: {value} fits {fits} of {schema}"));
    }
    let kinds: Vec<&str> = match &schema["type"] {
        Value::String(kind) => vec![kind],
        Value::Array(kinds) => kinds.iter().filter_map(Value::as_str).collect(),
        _ => return Some(format!("{at}: a schema without a type: {schema}")),
    };
    let is = |kind: &str| match kind {
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        "array" => value.is_array(),
        _ => value.is_object(),
    };
    if !kinds.iter().any(|kind| is(kind)) {
        return Some(format!("{at}: {value} is not {kinds:?}"));
    }
    if schema["enum"].as_array().is_some_and(|words| !words.contains(value)) {
        return Some(format!("{at}: {value} is none of {}", schema["enum"]));
    }
    if schema["format"] == "date-time" && chrono::DateTime::parse_from_rfc3339(value.as_str()?).is_err() {
        return Some(format!("{at}: {value} is no instant"));
    }
    if let Some(items) = value.as_array() {
        return items
            .iter()
            .enumerate()
            .find_map(|(n, item)| misfit(document, &schema["items"], item, &format!("{at}/{n}")));
    }
    let (fields, properties) = (value.as_object()?, schema["properties"].as_object()?);
    let required = schema["required"].as_array().expect("every object says what it needs");
    let absent = required.iter().filter_map(Value::as_str).find(|name| !fields.contains_key(*name));
    if let Some(absent) = absent {
        return Some(format!("{at}: {absent} is wanting"));
    }
    fields.iter().find_map(|(name, field)| match properties.get(name) {
        Some(schema) => misfit(document, schema, field, &format!("{at}/{name}")),
        None => Some(format!("{at}: {name} is not in the document")),
    })
}

async fn document(house: &House) -> Value {
    house.get("/openapi.json").await.json()
}

/// Asks, and holds status, kind and body against the document.
#[track_caller]
fn check(document: &Value, method: &str, path: &str, template: &str, reply: &crate::house::Reply) {
    let responses = &document["paths"][template][method.to_lowercase()]["responses"];
    let response = &responses[reply.status.to_string()];
    assert!(response.is_object(), "{method} {path} answers {} unannounced", reply.status);
    let kind = reply.header("content-type").split(';').next().unwrap_or("");
    let schema = &response["content"][kind]["schema"];
    assert!(schema.is_object(), "{method} {path} answers {} with {kind:?} unannounced", reply.status);
    if kind.ends_with("json") && template != "/openapi.json" {
        assert_eq!(misfit(document, schema, &reply.json(), ""), None, "{method} {path}");
    }
}

fn full(house: &House) {
    house.change(|facts| {
        let channel = Arc::make_mut(&mut facts.snapshot.channels[0]);
        channel.overridden = Some(Box::new(Override {
            wanted: Power::On,
            ends: Ends::Cancelled,
            because: "on until cancelled".into(),
            since: now(),
            by_trusted_clock: true,
            before: vec![],
        }));
        channel.plugs[0].hand =
            Some(Box::new(Hand { wanted: Power::Off, until: utc("2026-11-25T07:00:00Z"), since: now() }));
        Arc::make_mut(&mut facts.snapshot.channels[1]).wanted = None;
        Arc::make_mut(&mut facts.snapshot.channels[1]).next = None;
        Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].said = None;
        facts.snapshot.missed.push(Miss {
            at: now(),
            channel: "jetty".into(),
            plug: "yard/3".into(),
            wanted: Power::On,
            because: "plug silent".into(),
        });
        let faulty = lampward::pure::config::read("house.toml", b"[place]\nnam = \"x\"\n");
        facts.file.faults = faulty.expect_err("faults").0.into();
        facts.notices = vec!["a change of [web] waits for a restart".into()];
        facts.link_because = Some("connection refused".into());
    });
}

#[tokio::test]
async fn what_can_be_read_is_as_the_document_says() {
    let house = House::plain().await;
    let document = document(&house).await;
    for full_house in [false, true] {
        if full_house {
            full(&house);
        }
        for path in ["/status", "/ahead?days=3", "/ahead?days=x", "/past?days=3", "/past?kind=x", "/health", "/metrics"]
            .into_iter()
            .chain(["/calendar.ics", "/year.svg", "/year.svg?year=2027", "/year.svg?year=27", "/openapi.json"])
        {
            let template = path.split('?').next().expect("a path");
            check(&document, "GET", path, template, &house.get(path).await);
        }
        house.change(|facts| facts.snapshot.link_up = false);
        check(&document, "GET", "/health", "/health", &house.get("/health").await);
        check(&document, "GET", "/status", "/status", &house.get("/status").await);
    }
}

fn tried() -> Tried {
    let plug = TriedPlug {
        plug: "yard/3".into(),
        answered: false,
        told: 5,
        answers: 1,
        took: Some((Duration::from_millis(40), Duration::from_millis(40))),
        because: "answered 1 of 5 commands, after 0.04 s".into(),
        back_to: Some(Power::On),
        back_because: "lit from sunset until sunrise".into(),
        delivery: Delivery::Unanswered,
    };
    let silent = TriedPlug { answers: 0, took: None, back_to: None, ..plug.clone() };
    let elsewhere = Elsewhere {
        topic: "yard/3/state".into(),
        after_on: "ON".into(),
        after_off: "OFF".into(),
        report: r#"report = { topic = "{plug}/state", on = "ON", off = "OFF" }"#.into(),
    };
    let ended = Some("an override was set".into());
    Tried { channel: "jetty".into(), ended, plugs: vec![plug, silent], elsewhere: vec![elsewhere] }
}

#[tokio::test]
async fn what_can_be_changed_is_as_the_document_says() {
    let standing = Override {
        wanted: Power::On,
        ends: Ends::At(utc("2026-11-24T23:10:00+01:00")),
        because: "on until 23:10, the planned switch-off".into(),
        since: now(),
        by_trusted_clock: true,
        before: vec![],
    };
    let done = vec![("jetty".to_string(), Some(standing))];
    for answer in [
        Answer::Done(done.clone()),
        Answer::DoneNotKept(done, "no space left on device".into()),
        Answer::UnknownChannel("jety".into()),
        Answer::Refused("it is past".into()),
        Answer::ClockNotTrusted("give a duration".into()),
        Answer::NotKept("no space left on device".into()),
        Answer::Busy("`jetty` is being tried".into()),
        Answer::NoLink("the broker can't be reached".into()),
        Answer::Tried(Box::new(tried())),
    ] {
        let again = answer.clone();
        let house = House::with(plain_web(), Box::new(move |_| Some(again.clone()))).await;
        let document = document(&house).await;
        let one = "/channels/jetty/override";
        let template = "/channels/{name}/override";
        if matches!(answer, Answer::Tried(_) | Answer::Busy(_) | Answer::NoLink(_) | Answer::UnknownChannel(_)) {
            let path = "/channels/jetty/try";
            check(&document, "POST", path, "/channels/{name}/try", &house.ask("POST", path, &[], "").await);
            continue;
        }
        for body in [r#"{"wanted":"on"}"#, "{", "{}"] {
            check(&document, "PUT", one, template, &house.ask("PUT", one, &[], body).await);
            check(&document, "PUT", "/override", "/override", &house.ask("PUT", "/override", &[], body).await);
        }
        let form = [("Content-Type", "text/plain")];
        check(&document, "PUT", one, template, &house.ask("PUT", one, &form, "x").await);
        if matches!(answer, Answer::Done(_) | Answer::DoneNotKept(..) | Answer::UnknownChannel(_)) {
            check(&document, "DELETE", one, template, &house.ask("DELETE", one, &[], "").await);
            check(&document, "DELETE", "/override", "/override", &house.ask("DELETE", "/override", &[], "").await);
        }
    }
}

#[tokio::test]
async fn each_example_fits_its_schema_and_each_path_is_there() {
    let house = House::plain().await;
    let document = document(&house).await;
    assert_eq!(document["info"]["version"], env!("CARGO_PKG_VERSION"));
    let mut examples = 0;
    for (path, item) in document["paths"].as_object().expect("paths") {
        let there = house.ask("PATCH", &path.replace("{name}", "jetty"), &[], "").await;
        assert_eq!(there.status, 405, "{path} is there, and takes no PATCH");
        for operation in item.as_object().expect("operations").values().filter(|operation| operation.is_object()) {
            let responses = operation["responses"].as_object().expect("responses").values();
            for holder in responses.chain([&operation["requestBody"]]) {
                let content = &holder["content"]["application/json"];
                if content["example"].is_null() {
                    continue;
                }
                assert_eq!(misfit(&document, &content["schema"], &content["example"], path), None);
                examples += 1;
            }
        }
    }
    assert!(examples >= 6, "{examples}");
    let power = json!({ "$ref": "#/components/schemas/Power" });
    assert!(misfit(&document, &power, &json!("On"), "").is_some(), "what does not fit is found");
}
