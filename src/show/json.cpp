#include "show/json.hpp"

#include <cmath>
#include <optional>

#include "show/json_parts.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

Json number(double value, int decimals) {
  if (!std::isfinite(value)) return nullptr;
  const double scale = std::pow(10.0, decimals);
  const double rounded = std::round(value * scale) / scale;
  // Whole numbers are written without a point; adding 0 turns -0 into 0.
  if (decimals == 0) return static_cast<std::int64_t>(rounded);
  return rounded + 0.0;
}

Json number(const std::optional<double>& value, int decimals) {
  return value ? number(*value, decimals) : Json(nullptr);
}

Json interval(const Interval& i, int decimals) {
  return Json::array({number(i.low, decimals), number(i.high, decimals)});
}

Json interval(const std::optional<Interval>& i, int decimals) {
  return i ? interval(*i, decimals) : Json(nullptr);
}

namespace {

template <class Integer>
Json count(const std::optional<Integer>& value) {
  return value ? Json(*value) : Json(nullptr);
}

Json speed(const std::optional<SpeedSummary>& s) {
  if (!s) return {{"mean", nullptr}, {"min", nullptr}, {"max", nullptr}};
  return {{"mean", number(s->mean.value(), 1)},
          {"min", number(s->min.value(), 1)},
          {"max", number(s->max.value(), 1)}};
}

Json speed_bands(const Finding& f) {
  Json out = Json::array();
  for (const SpeedBand& b : f.speed_bands) {
    out.push_back({{"low_rpm", number(b.low.value(), 0)},
                   {"high_rpm", number(b.high.value(), 0)},
                   {"expected", b.expected},
                   {"missing", b.missing},
                   {"missing_ratio_interval", interval(b.missing_ratio_interval, 4)}});
  }
  return out;
}

Json positions(const Finding& f) {
  Json list = Json::array();
  for (const PositionFinding& p : f.positions) {
    list.push_back({{"position", p.position},
                    {"level", number(p.level, 3)},
                    {"missing_ratio", number(p.missing_ratio, 4)},
                    {"missing_ratio_interval", interval(p.missing_ratio_interval, 4)}});
  }
  return list;
}

Json reasons(const Report& report) {
  Json list = Json::array();
  for (const Reason& r : report.finding.reasons) {
    std::string text;
    if (report.finding.verdict == Verdict::unclear && explains_unclear(r.code)) {
      text.append(to_string(r.code)).append(": ");
    }
    text += sentence(r);
    list.push_back(std::move(text));
  }
  return list;
}

}  // namespace

Json check_object(const Report& report) {
  const Finding& f = report.finding;
  std::optional<double> firing_hz;
  if (f.firing_frequency) firing_hz = f.firing_frequency->value();
  const bool whole_rate = f.sample_rate_hz == std::floor(f.sample_rate_hz);

  Json json;
  json["schema"] = "pipebeat.check/1";
  json["file"] = report.file;
  json["duration_s"] = number(f.duration.value(), 3);
  json["sample_rate_hz"] = number(f.sample_rate_hz, whole_rate ? 0 : 3);
  json["engine"] = {{"cylinders", report.engine.cylinders()},
                    {"strokes", report.engine.strokes()},
                    {"positions", report.engine.positions().size()}};
  json["verdict"] = to_string(f.verdict);
  json["confidence"] = number(f.confidence, 4);
  json["miss_probability"] = number(f.miss_probability, 6);
  json["missing_event_ratio"] = number(f.missing_event_ratio, 4);
  json["missing_event_ratio_interval"] = interval(f.missing_event_ratio_interval, 4);
  json["underlying_rate_interval"] = interval(f.underlying_rate_interval, 4);
  json["events"] = {{"expected", count(f.expected_events)}, {"missing", count(f.missing_events)}};
  json["rpm"] = speed(f.speed);
  json["firing_hz"] = number(firing_hz, 3);
  json["positions"] = positions(f);
  if (!f.speed_bands.empty()) json["speed_bands"] = speed_bands(f);
  json["reasons"] = reasons(report);
  json["input"] = {{"usable_s", number(f.input.usable_s, 3)},
                   {"clipped_share", number(f.input.clipped_share, 6)},
                   {"snr_db", number(f.input.snr_db, 1)}};
  return json;
}

std::string dump(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

std::string to_json(const Report& report) { return dump(check_object(report)); }

std::string to_live_json(const Report& whole, const Finding& recent, bool running,
                         const std::optional<PulseChange>& change, double change_ago_s) {
  Json json = check_object(whole);
  json["running"] = running;
  json["recent"] = check_object({whole.file, whole.engine, recent});
  if (change)
    json["change"] = {{"ago_s", number(change_ago_s, 1)},
                      {"pulse", change->lost ? "lost" : "back"}};
  return dump(json);
}

}  // namespace pipebeat::show
