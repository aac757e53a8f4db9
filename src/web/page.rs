//! The page at `/`: every lamp in words, made on the server, without a script.

use std::fmt::Write as _;

use axum::extract::State;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{Html, IntoResponse};

use super::json::{ChannelNow, FileFault, Status};
use super::problem::Problem;
use super::{Web, read, words};

const STYLE: &str = include_str!("page.css");

/// `GET /page.css`.
pub async fn style() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, "max-age=3600")], STYLE)
}

/// `GET /`.
pub async fn page(State(web): State<Web>) -> Result<Html<String>, Problem> {
    read::status_now(&web).await.map(|status| Html(render(&status)))
}

fn render(status: &Status) -> String {
    let place = escape(&status.place.name);
    let mut html = String::with_capacity(8 * 1024);
    let _ = write!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>{place}: lamps</title>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <link rel=\"stylesheet\" href=\"/page.css\">\n</head>\n<body>\n<header>\n<h1>{place}</h1>\n"
    );
    let _ = writeln!(html, "<p>{}.</p>", escape(&words::house_line(status)));
    write_list(&mut html, None, "trouble", &words::troubles(status));
    write_faults(&mut html, "Faults of the file", &status.file.faults);
    write_faults(&mut html, "Odd in the file", &status.file.warnings);
    write_list(&mut html, Some("Missed in the last day"), "missed", &words::misses(status));
    html.push_str("</header>\n<main>\n");
    for channel in &status.channels {
        write_channel(&mut html, status, channel);
    }
    let _ = write!(
        html,
        "</main>\n<footer>\n<p>{}</p>\n<p>A plug that is switched off here still carries mains voltage, and it can \
         come on at any time. Unplug a lamp before you open it or change its bulb, and leave heaters and machines to a \
         switch that a person stands beside.</p>\n</footer>\n</body>\n</html>\n",
        escape(&words::health_line(status))
    );
    html
}

fn write_list(html: &mut String, title: Option<&str>, class: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    if let Some(title) = title {
        let _ = writeln!(html, "<h2>{title}</h2>");
    }
    let _ = writeln!(html, "<ul class=\"{class}\">");
    for line in lines {
        let _ = writeln!(html, "<li>{}</li>", escape(line));
    }
    html.push_str("</ul>\n");
}

fn write_faults(html: &mut String, title: &str, faults: &[FileFault]) {
    if faults.is_empty() {
        return;
    }
    let _ = write!(html, "<h2>{title}</h2>\n<ul class=\"faults\">\n");
    for fault in faults {
        let line = format!("line {}, column {}: {}", fault.line, fault.column, fault.message);
        let _ = writeln!(html, "<li>{} <code>{}</code></li>", escape(&line), escape(fault.source_line.trim()));
    }
    html.push_str("</ul>\n");
}

fn write_channel(html: &mut String, status: &Status, channel: &ChannelNow) {
    let state = words::state(&channel.plugs);
    let mark = match state {
        "on" => "lit",
        "off" => "dark",
        _ => "unsure",
    };
    let _ = write!(
        html,
        "<section class=\"{mark}\" id=\"{}\">\n<h2>{}</h2>\n<p class=\"state\">{state}</p>\n",
        escape(&channel.name),
        escape(&channel.label)
    );
    let mut lines = vec![words::reason(channel)];
    lines.extend(channel.overridden.as_ref().map(|standing| format!("Your word stands: {}.", standing.because)));
    lines.extend(channel.plugs.iter().map(|plug| words::plug(&status.now, channel, plug)));
    lines.push(words::next(status, channel));
    for line in lines {
        let _ = writeln!(html, "<p>{}</p>", escape(&line));
    }
    html.push_str("</section>\n");
}

/// Text made harmless within HTML, in text and in attributes.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}
