#include "show/sheet.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <kainjow/mustache.hpp>
#include <nlohmann/json.hpp>
#include <set>

#include "pipebeat/certainty.hpp"
#include "pipebeat/version.hpp"
#include "show/job.hpp"
#include "show/json_parts.hpp"
#include "show/paragraphs.hpp"
#include "show/pictures.hpp"
#include "show/svg.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

using kainjow::mustache::data;
using kainjow::mustache::mustache;

// No paper size is named: the page takes the printer's, and every width is a share of it.
constexpr std::string_view page = R"(<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{{vehicle}}: job sheet</title>
<style>
@page{margin:14mm}
body{margin:0 auto;max-width:50rem;padding:1rem;color:#1b1f24;background:#fff;font:15px/1.45 system-ui,sans-serif;overflow-wrap:anywhere}
h1{font-size:1.5rem;line-height:1.2;margin:0 0 .25rem}
h2{font-size:1.1rem;margin:1.25rem 0 .4rem;border-bottom:1px solid #9aa4ae;break-after:avoid}
h3{font-size:1rem;margin:.75rem 0 .25rem;break-after:avoid}
p{margin:.25rem 0}ul{margin:.25rem 0;padding-left:1.25rem}
.soft{color:#4d5761}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.2rem .5rem .2rem 0;border-bottom:1px solid #d5dae0}
th{font-weight:600}td.number,th.number{text-align:right}td.number,th.number,td.date{white-space:nowrap}
tr,section{break-inside:avoid}
.causes{table-layout:fixed}.causes th:nth-child(1){width:14%}.causes th:nth-child(2){width:24%}.causes th:nth-child(4){width:24%}
.gone{color:#4d5761;text-decoration:line-through}
.pictures{display:grid;grid-template-columns:repeat(2,minmax(0,1fr));gap:.6rem;align-items:start}
figure{margin:0;border:1px solid #c3cad2;border-radius:4px;overflow:hidden;break-inside:avoid}
figure svg{display:block;width:100%;height:auto}
.sure{font-size:1.05rem;font-weight:600}
.caution{border-left:4px solid #b04400;background:#fbf1ea;padding:.4rem .7rem;margin:.4rem 0;break-inside:avoid;-webkit-print-color-adjust:exact;print-color-adjust:exact}
footer{margin-top:1.5rem;color:#4d5761}
@media screen and (max-width:36rem){.pictures{grid-template-columns:1fr}.causes{font-size:.8rem}}
@media print{body{max-width:none;padding:0;font-size:10pt}}
</style></head><body>
<h1>{{vehicle}}</h1>
<p class="soft">{{engine}}</p>
<p class="soft">Job begun {{created}} UTC, sheet of {{date}} UTC</p>

<h2>What was heard</h2>
{{^heard}}<p>Nothing yet.</p>{{/heard}}
{{#heard}}<section><h3>{{date}} UTC, entry {{id}}</h3><p{{#gone}} class="gone"{{/gone}}>{{words}}</p>
{{#has_pictures}}<div class="pictures">{{#pictures}}<figure>{{{svg}}}</figure>{{/pictures}}</div>{{/has_pictures}}</section>
{{/heard}}

<h2>What was read</h2>
{{^readings}}<p>Nothing yet.</p>{{/readings}}
{{#has_readings}}<table><thead><tr><th class="number">No.</th><th>Date (UTC)</th><th>Reading</th></tr></thead><tbody>
{{#readings}}<tr><td class="number">{{id}}</td><td class="date">{{date}}</td><td{{#gone}} class="gone"{{/gone}}>{{words}}</td></tr>
{{/readings}}</tbody></table>{{/has_readings}}

<h2>What it points to</h2>
{{#conclusions}}<h3>{{title}}</h3>
<p class="sure">{{answer}}</p>
<table class="causes"><thead><tr><th class="number">Sure</th><th>Cause</th><th>For</th><th>Against</th></tr></thead><tbody>
{{#causes}}<tr><td class="number">{{percent}}</td><td>{{words}}</td><td>{{for}}</td><td>{{against}}</td></tr>
{{/causes}}</tbody></table>
{{#contradictions}}<p>Does not go together: {{words}}.</p>{{/contradictions}}
{{/conclusions}}
<p class="soft">The percentages add up to 100 % and hold if there is one fault; the table of likelihoods behind them is an estimate from common practice.</p>

<h2>What was done</h2>
{{^work}}<p>Nothing yet.</p>{{/work}}
{{#work}}<p>{{date}} UTC: {{words}}</p>
{{/work}}

{{#proof}}<h2>Before and after</h2>
<table><thead><tr><th></th><th>Before</th><th>After</th></tr></thead><tbody>
{{#rows}}<tr><td>{{name}}</td><td>{{before}}</td><td>{{after}}</td></tr>
{{/rows}}</tbody></table>
<p class="sure">{{answer}}</p>{{/proof}}

<h2>Next</h2>
{{#next}}<p class="sure">{{words}}</p>
{{#cautions}}<p class="caution">{{text}}</p>{{/cautions}}
<ul>{{#how}}<li>{{text}}</li>{{/how}}</ul>{{/next}}

<h2>Cautions</h2>
<p class="caution">{{workshop}}</p><p class="caution">{{recording}}</p>
<footer>pipebeat {{version}}</footer>
</body></html>
)";

std::string joined(const std::vector<std::string>& texts) {
  return fmt::format("{}", fmt::join(texts, "; "));
}

data text_list(const std::vector<std::string>& texts, const char* name) {
  data list{data::type::list};
  for (const std::string& t : texts) list << data{name, t};
  return list;
}

data conclusion(const SheetConclusion& c) {
  // A cause less probable than this does not help the reader of a printed page.
  constexpr double worth_a_row = 0.03;
  data out{data::type::object};
  out["title"] = c.before_work != 0 ? fmt::format("Before the work of entry {}", c.before_work)
                                    : std::string{"As it stands"};
  data causes{data::type::list};
  const auto shown = causes_to_show(c.diagnosis);
  double rest = 0.0;
  for (const RankedCause& cause : shown) {
    if (cause.probability < worth_a_row) {
      rest += cause.probability;
      continue;
    }
    data row{data::type::object};
    row["percent"] = certainty(cause.probability);
    row["words"] = capitalised(cause.words) + place_in_words(cause.cylinders);
    row["for"] = joined(cause.evidence_for);
    row["against"] = joined(cause.evidence_against);
    causes << row;
  }
  if (rest > 0.0) {
    data row{data::type::object};
    row["percent"] = certainty(rest);
    row["words"] = std::string{"Everything else"};
    causes << row;
  }
  out["causes"] = std::move(causes);
  if (shown.empty()) {
    out["answer"] = std::string{"Nothing can be said."};
  } else {
    const RankedCause& top = shown.front();
    out["answer"] =
        fmt::format("{}{}: {} certain{}.", capitalised(top.words), place_in_words(top.cylinders),
                    certainty(top.probability), c.diagnosis.settled ? "" : ", not settled yet");
  }
  out["contradictions"] = text_list(c.diagnosis.contradictions, "words");
  return out;
}

/// The figures of a finding that a comparison needs; empty texts where they are missing.
struct Figures {
  std::string verdict;
  std::string missing;
  std::string sure;
  std::string rpm;
  bool no_miss = false;
  bool weak = false;
};

std::optional<Figures> figures(const Json& j) {
  const auto number_in = [](const Json& object, const char* key) -> std::optional<double> {
    if (!object.is_object() || !object.contains(key) || !object[key].is_number()) {
      return std::nullopt;
    }
    return object[key].get<double>();
  };
  if (!j.is_object() || !j.contains("verdict") || !j["verdict"].is_string()) return std::nullopt;
  Figures f;
  f.verdict = j["verdict"].get<std::string>();
  if (f.verdict == "unclear") return std::nullopt;
  f.weak = f.verdict == "weak_cylinder";
  f.no_miss = f.weak || f.verdict == "even" || f.verdict == "rough_no_miss";
  f.verdict = in_words(f.verdict);
  if (const auto ratio = number_in(j, "missing_event_ratio")) f.missing = percent(*ratio);
  if (const auto sure = number_in(j, "confidence")) f.sure = certainty(*sure);
  if (j.contains("rpm")) {
    if (const auto mean = number_in(j["rpm"], "mean")) f.rpm = fmt::format("{:.0f}", *mean);
  }
  return f;
}

/// The finding of an entry: of `check` and `listen` itself, of `compare` what it heard after.
Json finding_of(const JobEntry& e) {
  if (e.kind != JobEntry::Kind::finding) return nullptr;
  Json j = Json::parse(e.finding, nullptr, false);
  if (e.command == "check" || e.command == "listen") return j;
  if (e.command == "compare" && j.is_object() && j.contains("after")) return j["after"];
  return nullptr;
}

/// Last finding before the first work against the last one after the last work.
data proof(const JobCard& card) {
  const auto is_work = [](const JobEntry& e) { return e.kind == JobEntry::Kind::work; };
  const auto first = std::find_if(card.entries.begin(), card.entries.end(), is_work);
  std::optional<Figures> before;
  std::optional<Figures> after;
  for (auto it = card.entries.begin(); it != card.entries.end(); ++it) {
    if (is_work(*it)) after.reset();
    if (const auto f = figures(finding_of(*it))) (it < first ? before : after) = f;
  }
  data out{data::type::bool_false};
  if (first == card.entries.end() || !before || !after) return out;
  data rows{data::type::list};
  const auto row = [&](const char* name, const std::string& b, const std::string& a) {
    data r{data::type::object};
    r["name"] = std::string{name};
    r["before"] = b.empty() ? std::string{"not known"} : b;
    r["after"] = a.empty() ? std::string{"not known"} : a;
    rows << r;
  };
  row("Verdict", before->verdict, after->verdict);
  row("Pulses missing", before->missing, after->missing);
  row("Sure", before->sure, after->sure);
  row("Speed (rpm)", before->rpm, after->rpm);
  data shown{data::type::object};
  shown["rows"] = std::move(rows);
  std::string answer = after->weak       ? "No miss is heard after the work, but a cylinder is weak"
                       : after->no_miss  ? "No miss is heard after the work"
                       : before->no_miss ? "A miss is heard that was not heard before"
                                         : "A miss is still heard";
  if (!after->sure.empty()) answer += fmt::format(" ({} sure)", after->sure);
  shown["answer"] = answer + '.';
  return shown;
}

}  // namespace

std::string to_sheet(const SheetContent& content) {
  const JobCard& card = content.card;
  std::set<int> replaced;
  for (const JobEntry& e : card.entries) replaced.insert(e.replaces);

  data heard{data::type::list};
  data readings{data::type::list};
  data work{data::type::list};
  bool any_reading = false;
  for (const JobEntry& e : card.entries) {
    data row{data::type::object};
    row["id"] = std::to_string(e.id);
    row["date"] = day_and_time(e.date);
    row["words"] = sentence(e);
    row["gone"] = replaced.contains(e.id);
    if (e.kind == JobEntry::Kind::finding) {
      data pictures{data::type::list};
      bool any = false;
      for (const SheetRecording& r : content.recordings) {
        if (r.entry != e.id) continue;
        const Report report{e.recordings.empty() ? e.command : e.recordings.front(), r.engine,
                            r.finding};
        for (const Picture picture : {Picture::beat_map, Picture::cycle_dial}) {
          const std::string svg = to_svg(picture, report, Theme::light);
          if (svg.empty()) continue;
          pictures << data{"svg", svg};
          any = true;
        }
      }
      row["pictures"] = std::move(pictures);
      row["has_pictures"] = any;
      heard << row;
    } else if (e.kind == JobEntry::Kind::work) {
      work << row;
    } else {
      any_reading = true;
      readings << row;
    }
  }

  data root{data::type::object};
  root["vehicle"] = one_line(card.vehicle);
  root["engine"] = capitalised(engine_in_words(card));
  root["created"] = day_and_time(card.created);
  root["date"] = day_and_time(content.date);
  root["heard"] = std::move(heard);
  root["readings"] = std::move(readings);
  root["has_readings"] = any_reading;
  root["work"] = std::move(work);
  data conclusions{data::type::list};
  for (const SheetConclusion& c : content.conclusions) conclusions << conclusion(c);
  root["conclusions"] = std::move(conclusions);
  root["proof"] = proof(card);
  if (!content.conclusions.empty() && !content.conclusions.back().diagnosis.tests.empty()) {
    const TestAdvice& t = content.conclusions.back().diagnosis.tests.front();
    data next{data::type::object};
    next["words"] =
        capitalised(t.words) + (t.cylinder != 0 ? fmt::format(", cylinder {}.", t.cylinder) : ".");
    next["how"] = text_list(t.how, "text");
    if (needs_caution(t)) next["cautions"] = text_list(t.cautions, "text");
    root["next"] = std::move(next);
  }
  root["workshop"] = std::string{workshop_caution()};
  root["recording"] = std::string{recording_caution()};
  root["version"] = std::string{version};

  mustache sheet{std::string{page}};
  sheet.set_custom_escape([](const std::string& text) { return escaped(text); });
  return sheet.render(root);
}

}  // namespace pipebeat::show
