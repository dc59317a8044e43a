#include "show/html.hpp"

#include <fmt/format.h>

#include <chrono>
#include <cmath>

#include "pipebeat/version.hpp"
#include "show/paragraphs.hpp"
#include "show/pictures.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

constexpr std::string_view style =
    ":root{color-scheme:light dark;--ink:#1b1f24;--soft:#4d5761;--line:#c3cad2;--back:#fff;"
    "--card:#f4f6f8}"
    "@media screen and (prefers-color-scheme:dark){:root{--ink:#eceff2;--soft:#b4bec8;"
    "--line:#3a444e;--back:#14181d;--card:#1d232a}}"
    "body{margin:0 auto;max-width:56rem;padding:1rem;background:var(--back);color:var(--ink);"
    "font:16px/1.5 system-ui,sans-serif}"
    "h1{font-size:1.6rem;line-height:1.25;margin:.5rem 0}h2{font-size:1.15rem;margin:1.5rem 0 "
    ".5rem}"
    ".file{color:var(--soft);overflow-wrap:anywhere}"
    ".figures{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1rem;margin:1rem 0}"
    ".figures dt{color:var(--soft)}.figures dd{margin:0}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{text-align:right;padding:.25rem .3rem;border-bottom:1px solid var(--line)}"
    "@media(max-width:28rem){table{font-size:.85rem}}th:first-child,td:first-child{text-align:left}"
    ".pictures{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,22rem),1fr));gap:"
    "1rem;"
    "align-items:start}"
    ".pictures figure{margin:0;border:1px solid var(--line);border-radius:6px;overflow:hidden;"
    "break-inside:avoid}"
    ".pictures svg{display:block;width:100%;height:auto}"
    ".caution{background:var(--card);border-left:4px solid #b04400;padding:.5rem .75rem}"
    "footer{color:var(--soft);margin-top:2rem}"
    "@media print{body{max-width:none;padding:0;font-size:11pt}"
    ".pictures{grid-template-columns:1fr 1fr}}";

/// Escaped, and what stands between backticks as something to type.
std::string prose(std::string_view text) {
  std::string out;
  bool typed = false;
  for (const char c : escaped(text)) {
    if (c != '`') {
      out += c;
      continue;
    }
    typed = !typed;
    out += typed ? "<code>" : "</code>";
  }
  return typed ? out + "</code>" : out;
}

std::string figure_row(std::string_view name, std::string_view value) {
  return fmt::format("<dt>{}</dt><dd>{}</dd>", name, escaped(value));
}

std::string day_and_time(std::chrono::sys_seconds time) {
  const auto day = std::chrono::floor<std::chrono::days>(time);
  const std::chrono::year_month_day date{day};
  const std::chrono::hh_mm_ss clock{time - day};
  return fmt::format("{:04}-{:02}-{:02} {:02}:{:02} UTC", static_cast<int>(date.year()),
                     static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
                     clock.hours().count(), clock.minutes().count());
}

std::string figure_list(const Report& report) {
  const Finding& f = report.finding;
  std::string out = "<dl class=\"figures\">";
  for (const Figure& figure : figures(report)) out += figure_row(figure.name, figure.text);
  std::string engine = fmt::format("{} cylinder{}, {}-stroke", report.engine.cylinders(),
                                   report.engine.cylinders() == 1 ? "" : "s",
                                   report.engine.strokes() == 4 ? "four" : "two");
  if (report.engine.positions().size() != static_cast<std::size_t>(report.engine.cylinders())) {
    engine += fmt::format(", {} of them heard", report.engine.positions().size());
  }
  out += figure_row("Engine", engine);
  const std::string judged = f.input.usable_s < 0.05 ? "none" : fmt::format("{:.1f} s", f.input.usable_s);
  out += figure_row("Recording", fmt::format("{:.1f} s, {} of them judged", f.duration.value(), judged));
  if (report.last_written) out += figure_row("File", "last written " + day_and_time(*report.last_written));
  return out + "</dl>";
}

std::string position_table(const Finding& f) {
  if (f.positions.empty()) return {};
  std::string out =
      "<h2>Positions, in firing order from an unknown cylinder</h2><table><thead><tr>"
      "<th scope=\"col\">Position</th><th scope=\"col\">Pulse<br>(1: usual)</th>"
      "<th scope=\"col\">Spread</th><th scope=\"col\">Missing</th>"
      "<th scope=\"col\">95 % range</th></tr></thead><tbody>";
  for (const PositionFinding& p : f.positions) {
    out += fmt::format(
        "<tr><td>{}</td><td>{:.2f}</td><td>{:.2f}</td><td>{}</td><td>{}</td></tr>",
        p.position, p.level, p.level_spread, percent(p.missing_ratio), percent(p.missing_ratio_interval));
  }
  return out + "</tbody></table>";
}

}  // namespace

std::string to_html(const Report& report, Place place) {
  const Finding& f = report.finding;
  const std::string file = escaped(source(report));
  std::string out = fmt::format(
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
      "'unsafe-inline'; base-uri 'none'; form-action 'none'\">"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">"
      "<meta name=\"referrer\" content=\"no-referrer\">"
      "<title>{0}</title><style>{1}</style></head><body><main>"
      "<h1>{2}.</h1><p class=\"file\">{0}</p>",
      file, style, escaped(headline(report)));
  out += figure_list(report);
  if (!f.reasons.empty()) {
    out += "<h2>Why</h2><ul>";
    for (const Reason& r : f.reasons) {
      out += "<li>" + escaped(capitalised(sentence(r))) + ".</li>";
    }
    out += "</ul>";
  }
  out += "<h2>Next</h2><ul>";
  for (const std::string& step : next_steps(report, place)) out += "<li>" + prose(step) + "</li>";
  out += "</ul>";
  if (f.verdict != Verdict::unclear && f.verdict != Verdict::even) {
    out += fmt::format("<p class=\"caution\">{}</p>", escaped(workshop_caution()));
  }
  out += fmt::format("<p class=\"caution\">{}</p>", escaped(recording_caution()));
  out += "<h2>Pictures</h2><div class=\"pictures\">";
  for (const Picture picture : all_pictures) {
    const std::string svg = to_svg(picture, report);
    if (!svg.empty()) out += "<figure>" + svg + "</figure>";
  }
  out += "</div>" + position_table(f);
  out += fmt::format("<footer>pipebeat {}</footer></main></body></html>\n", version);
  return out;
}

}  // namespace pipebeat::show
