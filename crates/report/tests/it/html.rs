//! Just enough HTML to check a page: tags in balance, text without tags.

/// Elements without an end tag (HTML Living Standard, 13.1.2 "void elements").
const VOID: [&str; 6] = ["meta", "input", "col", "br", "hr", "img"];

/// Every start tag of the page, in order, or what is out of balance. Script and style are skipped as raw text.
pub(crate) fn tags(page: &str) -> Result<Vec<&str>, String> {
    let mut open: Vec<&str> = Vec::new();
    let mut seen = Vec::new();
    let mut rest = page;
    while let Some(start) = rest.find('<') {
        let end = tag_end(&rest[start..]).ok_or("a tag without end")? + start;
        let tag = &rest[start + 1..end];
        rest = &rest[end + 1..];
        if tag.starts_with('!') {
            continue;
        }
        if let Some(name) = tag.strip_prefix('/') {
            match open.pop() {
                Some(expected) if expected == name => continue,
                other => return Err(format!("</{name}> closes {other:?}")),
            }
        }
        let name = tag.split([' ', '/', '\n']).next().unwrap_or("");
        seen.push(tag);
        if name == "script" || name == "style" {
            let close = format!("</{name}>");
            let at = rest.find(&close).ok_or("a script without end")?;
            rest = &rest[at + close.len()..];
        } else if !VOID.contains(&name) && !tag.ends_with('/') {
            open.push(name);
        }
    }
    if open.is_empty() {
        Ok(seen)
    } else {
        Err(format!("left open: {open:?}"))
    }
}

/// Where a tag ends: the first `>` outside quotes.
fn tag_end(tag: &str) -> Option<usize> {
    let mut quoted = false;
    tag.char_indices().find_map(|(at, c)| {
        quoted ^= c == '"';
        (c == '>' && !quoted).then_some(at)
    })
}

/// The page’s text, drawings left out, a line a block, entities decoded as far as this program writes them.
pub(crate) fn text(page: &str) -> String {
    let mut out = String::new();
    let mut rest = page;
    while let Some(start) = rest.find('<') {
        out.push_str(&rest[..start]);
        let end = tag_end(&rest[start..]).map_or(rest.len() - 1, |end| end + start);
        let tag = &rest[start..=end];
        rest = &rest[end + 1..];
        for raw in ["script", "style", "svg"] {
            if tag.starts_with(&format!("<{raw}")) {
                let at = rest.find(&format!("</{raw}>")).unwrap_or(0);
                rest = &rest[at..];
            }
        }
        let name = tag
            .trim_start_matches(['<', '/'])
            .split([' ', '>'])
            .next()
            .unwrap_or("");
        match name {
            "td" | "th" if tag.starts_with("</") => out.push_str(" | "),
            "tr" | "p" | "h1" | "h2" | "h3" | "li" | "caption" | "figcaption" | "dt" | "section" => {
                out.push('\n')
            }
            _ => {}
        }
    }
    out.push_str(rest);
    let out = out
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    let lines = out
        .lines()
        .map(|line| line.trim().trim_end_matches(" |").trim())
        .filter(|line| !line.is_empty());
    lines.collect::<Vec<_>>().join("\n")
}
