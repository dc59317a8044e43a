#include "job/evidence.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <optional>
#include <set>
#include <string_view>
#include <utility>

#include "job/json_text.hpp"
#include "pipebeat/certainty.hpp"

namespace pipebeat::job {

namespace {

/// A recording this many times as fast than the slowest one tells whether the miss clears with
/// revs.
constexpr double raised_speed = 1.4;

class Gatherer {
 public:
  Gatherer(const JobCard& card, const Table& table) : card_{card}, table_{table} {
    const JobEntry* set_aside = nullptr;
    for (const JobEntry* e : card.standing()) {
      if (e->kind == JobEntry::Kind::work) {
        out_.after_work = true;
        if (!now_.empty()) set_aside = e;
        now_.clear();
      } else {
        now_.push_back(e);
      }
    }
    if (set_aside != nullptr) {
      out_.remarks.push_back(fmt::format(
          "what was read and heard before the work of entry {} is set aside: it describes the "
          "engine as it was",
          set_aside->id));
    }
    readings();
    findings();
    share_voices();
  }

  [[nodiscard]] Evidence take() && { return std::move(out_); }

 private:
  /// Adds a piece; a table without the reading or the outcome has no use for it.
  void add(std::string_view reading, std::string_view outcome, int cylinder,
           const std::string& detail = "") {
    const int r = table_.reading(reading);
    if (r < 0) return;
    const TableReading& entry = table_.readings[static_cast<std::size_t>(r)];
    const int o = entry.outcome(outcome);
    if (o < 0) return;
    const bool naming = entry.where == TableReading::Where::naming;
    std::string words = entry.outcomes[static_cast<std::size_t>(o)].second;
    if (!detail.empty()) words += " (" + detail + ")";
    if (cylinder != 0) words = fmt::format("cylinder {}: {}", cylinder, words);
    out_.pieces.push_back({static_cast<std::size_t>(r),
                           naming ? 0 : cylinder,
                           {{o, naming ? cylinder : 0, 1.0}},
                           std::move(words),
                           1.0});
  }

  using Latest = std::map<std::pair<std::string, int>, const JobEntry*>;  ///< by kind and cylinder

  [[nodiscard]] bool has_piece(std::string_view reading) const {
    const int r = table_.reading(reading);
    return std::any_of(out_.pieces.begin(), out_.pieces.end(),
                       [r](const Piece& p) { return static_cast<int>(p.reading) == r; });
  }

  void readings() {
    // The latest of each kind and cylinder counts; every code and every swap counts.
    Latest latest;
    for (const JobEntry* e : now_) {
      if (e->kind != JobEntry::Kind::reading) continue;
      const Reading& r = e->reading;
      std::string kind = r.what;
      if (r.what == "code") kind += r.word;
      if (r.what == "swapped") kind += r.word;
      auto& slot = latest[{kind, r.cylinder}];
      if (slot != nullptr && differs(slot->reading, r)) {
        out_.contradictions.push_back(fmt::format(
            "{}{} was read twice: {} (entry {}), then {} (entry {}); the later one counts",
            r.cylinder != 0 ? fmt::format("cylinder {}: ", r.cylinder) : "", r.what,
            slot->reading.given, slot->id, r.given, e->id));
      }
      slot = e;
    }
    for (const auto& [key, e] : latest) reading(e->reading, latest);
    // Who wrote down other codes has read them all, and found no misfire counted.
    const bool any_code = std::any_of(latest.begin(), latest.end(), [](const auto& item) {
      return item.second->reading.what == "code";
    });
    if (any_code && !has_piece("misfire_code")) add("misfire_code", "none", 0);
  }

  bool differs(const Reading& a, const Reading& b) const {
    if (a.value && b.value) return limits_outcome(a) != limits_outcome(b);
    // A swap may be told before anybody knows what came of it.
    return a.word != b.word || (!a.followed.empty() && a.followed != b.followed);
  }

  /// Outcome of a number by the table's limits.
  [[nodiscard]] std::string limits_outcome(const Reading& r) const {
    const int i = table_.reading(r.what);
    if (i < 0 || !r.value) return {};
    const TableReading& entry = table_.readings[static_cast<std::size_t>(i)];
    const auto& limits = entry.limits[static_cast<std::size_t>(card_.bench.fuel)];
    const auto o = static_cast<std::size_t>(
        std::upper_bound(limits.begin(), limits.end(), *r.value) - limits.begin());
    return entry.outcomes[o].first;
  }

  /// Largest value of that kind over all cylinders.
  static double highest(std::string_view what, const Latest& latest) {
    double most = 0.0;
    for (const auto& [key, e] : latest) {
      if (key.first == what && e->reading.value) most = std::max(most, *e->reading.value);
    }
    return most;
  }

  void reading(const Reading& r, const Latest& latest) {
    if (r.what == "code") {
      code(r);
    } else if (r.what == "swapped") {
      if (r.followed.empty()) {
        out_.remarks.push_back(fmt::format(
            "the {} of cylinder {} was swapped, but nobody said whether the miss followed: "
            "pipebeat job read DIR --swapped \"{}\" --followed yes|no",
            r.word, r.cylinder, r.given));
      } else {
        add("swap_" + r.word, r.followed == "yes" ? "followed" : "stayed", r.cylinder, r.given);
      }
    } else if (r.what == "compression") {
      compression(r, latest);
    } else if (r.what == "compression_wet") {
      wet(r, latest);
    } else if (r.what == "drop") {
      drop(r, latest);
    } else if (r.value) {
      add(r.what, limits_outcome(r), r.cylinder, r.given);
    } else {
      add(r.what, r.word, r.cylinder);
    }
  }

  void code(const Reading& r) {
    const auto code = fault_code(r.word);
    if (!code) return;
    using P = FaultCode::Points;
    switch (code->points) {
      case P::random_miss: add("misfire_code", "random", 0, r.word); break;
      case P::cylinder_miss: add("misfire_code", "right", code->cylinder, r.word); break;
      case P::injector_circuit: add("injector_code", "yes", code->cylinder, r.word); break;
      case P::coil_circuit: add("coil_code", "yes", code->cylinder, r.word); break;
      case P::too_lean: add("mixture_code", "lean", 0, r.word); break;
      case P::too_rich: add("mixture_code", "rich", 0, r.word); break;
      case P::shared_sensor: add("sensor_code", "yes", 0, r.word); break;
      case P::elsewhere: break;
    }
  }

  void compression(const Reading& r, const Latest& latest) {
    const int i = table_.reading("compression");
    if (i < 0) return;
    std::string outcome = limits_outcome(r);
    const double least =
        table_.readings[static_cast<std::size_t>(i)].lowest_share * highest("compression", latest);
    // Between the limit and the share of the highest: low. The table's last outcome is the good
    // one.
    const auto& outcomes = table_.readings[static_cast<std::size_t>(i)].outcomes;
    if (outcome != outcomes.front().first) {
      outcome = *r.value < least ? "low" : outcomes.back().first;
    }
    add("compression", outcome, r.cylinder, r.given);
  }

  void wet(const Reading& r, const Latest& latest) {
    // A rise by a tenth counts; less is the gauge (common practice, no source).
    constexpr double raised = 1.10;
    constexpr double lower = 0.90;
    const auto dry = latest.find({"compression", r.cylinder});
    if (dry == latest.end() || !dry->second->reading.value) {
      out_.remarks.push_back(fmt::format(
          "cylinder {}: the wet compression says nothing without the dry one", r.cylinder));
      return;
    }
    const double ratio = *r.value / std::max(*dry->second->reading.value, 1.0);
    add("compression_wet",
        ratio >= raised ? "raised"
        : ratio < lower ? "lower"
                        : "same",
        r.cylinder, fmt::format("{} after {}", r.given, dry->second->reading.given));
  }

  void drop(const Reading& r, const Latest& latest) {
    // Beside other cylinders' drops a share of the largest tells more than a number of rpm
    // (common practice, no source).
    constexpr double hardly = 0.25;
    constexpr double less = 0.6;
    constexpr double enough_to_compare = 20.0;
    const double most = highest("drop", latest);
    if (most < enough_to_compare || most == *r.value) {
      add("drop", limits_outcome(r), r.cylinder, r.given);
      return;
    }
    const double share = *r.value / most;
    add("drop", share < hardly ? "none" : share < less ? "less" : "full", r.cylinder, r.given);
  }

  // Findings: JSON of our own commands, read with care, for a file may be edited.

  struct Heard {
    std::string verdict;
    double rpm;
    double confidence;
    int id;
  };

  static std::optional<Heard> heard(const Json& finding, int id) {
    const auto number = [](const Json& j, const char* key) -> std::optional<double> {
      const auto it = j.find(key);
      if (it == j.end() || !it->is_number()) return std::nullopt;
      return it->get<double>();
    };
    if (!finding.is_object() || !finding.contains("verdict") || !finding["verdict"].is_string()) {
      return std::nullopt;
    }
    Heard h{finding["verdict"].get<std::string>(), 0.0, 0.9, id};
    if (h.verdict == "unclear") return std::nullopt;
    if (finding.contains("rpm") && finding["rpm"].is_object()) {
      h.rpm = number(finding["rpm"], "mean").value_or(0.0);
    }
    h.confidence = std::clamp(number(finding, "confidence").value_or(h.confidence), 0.0, 1.0);
    return h;
  }

  void findings() {
    std::vector<Heard> all;
    std::vector<std::pair<Json, bool>> located;  // weighed once it is known what the drop tests say
    for (const JobEntry* e : now_) {
      if (e->kind != JobEntry::Kind::finding) continue;
      const Json finding = Json::parse(e->finding, nullptr, false);
      if (!finding.is_object()) continue;
      const auto member = [&](const char* key) {
        const auto it = finding.find(key);
        return it == finding.end() ? Json{} : *it;
      };
      if (e->command == "check" || e->command == "listen") {
        if (const auto h = heard(finding, e->id)) all.push_back(*h);
      } else if (e->command == "compare") {
        if (const auto h = heard(member("after"), e->id)) all.push_back(*h);
      } else if (e->command == "droptest") {
        droptest(finding);
      } else if (e->command == "locate") {
        located.emplace_back(member("candidates"), finding.contains("assumed_order"));
      } else if (e->command == "clicks") {
        clicks(member("injectors"));
      }
    }
    for (const auto& [candidates, assumed_order] : located) locate(candidates, assumed_order);
    listening(all);
  }

  /// The latest recording near idle gives the verdict, one at raised speed says whether the miss
  /// clears.
  void listening(const std::vector<Heard>& all) {
    double slowest = 0.0;
    for (const Heard& h : all) {
      if (h.rpm > 0.0 && (slowest == 0.0 || h.rpm < slowest)) slowest = h.rpm;
    }
    const Heard* idle = nullptr;
    const Heard* raised = nullptr;
    for (const Heard& h : all) {
      (h.rpm > 0.0 && h.rpm >= raised_speed * slowest ? raised : idle) = &h;
    }
    if (idle == nullptr) return;
    verdict(*idle);
    const auto misses = [](const Heard& h) {
      return h.verdict.ends_with("_miss") && h.verdict != "rough_no_miss";
    };
    if (raised != nullptr && misses(*idle) && !has_piece("clears_with_revs")) {
      add("clears_with_revs", misses(*raised) ? "no" : "yes", 0,
          fmt::format("recordings at {:.0f} and {:.0f} rpm", idle->rpm, raised->rpm));
    }
  }

  /// A verdict with confidence c: c for itself, the rest shared by the others.
  void verdict(const Heard& h) {
    const std::size_t before = out_.pieces.size();
    add("heard", h.verdict, 0, certainty(h.confidence) + " sure");
    if (out_.pieces.size() == before) return;
    Piece& piece = out_.pieces.back();
    const auto outcomes = static_cast<int>(table_.readings[piece.reading].outcomes.size());
    const int said = piece.alternatives[0].outcome;
    piece.alternatives.clear();
    for (int o = 0; o < outcomes; ++o) {
      piece.alternatives.push_back(
          {o, 0, o == said ? h.confidence : (1.0 - h.confidence) / (outcomes - 1)});
    }
  }

  /// A naming reading with a weight for each cylinder; what is left names none.
  void names(const std::map<int, double>& weights, std::string words) {
    const int r = table_.reading("named");
    if (r < 0) return;
    const TableReading& entry = table_.readings[static_cast<std::size_t>(r)];
    const int none = entry.outcome("none");
    Piece piece{static_cast<std::size_t>(r), 0, {}, std::move(words), 1.0};
    double left = 1.0;
    for (const auto& [cylinder, weight] : weights) {
      piece.alternatives.push_back({0, cylinder, weight});
      left -= weight;
    }
    if (none >= 0 && left > 1e-9) piece.alternatives.push_back({none, 0, left});
    out_.pieces.push_back(std::move(piece));
  }

  void droptest(const Json& finding) {
    const auto dead = finding.find("dead_cylinders");
    if (dead == finding.end() || !dead->is_array()) return;
    double sure = 0.9;
    if (const auto it = finding.find("confidence"); it != finding.end() && it->is_number()) {
      sure = std::clamp(it->get<double>(), 0.0, 1.0);
    }
    const int n = card_.bench.cylinders;
    if (dead->empty()) {
      std::map<int, double> weights;
      for (int c = 1; c <= n; ++c) weights[c] = (1.0 - sure) / n;
      names(weights, "the drop test finds that every cylinder gives power");
      return;
    }
    std::vector<int> all;
    for (const Json& item : *dead) {
      if (!item.is_number_integer()) continue;
      const int named = item.get<int>();
      if (named < 1 || named > n) continue;
      all.push_back(named);
      dropped_.insert(named);
      std::map<int, double> weights;
      for (int c = 1; c <= n; ++c) weights[c] = c == named ? sure : (1.0 - sure) / n;
      names(weights, fmt::format("cylinder {}: the drop test finds that it gives no power", named));
    }
    if (all.size() > 1) {
      out_.remarks.push_back(
          fmt::format("the drop test finds that cylinders {} give no power, and the percentages "
                      "hold for one fault: it is "
                      "something they share (coil pack, wiring, the gasket between neighbours), or "
                      "each has its own",
                      fmt::join(all, " and ")));
    }
  }

  /// `assumed_order`: nobody said in what order the engine fires.
  void locate(const Json& candidates, bool assumed_order) {
    if (!candidates.is_array()) return;
    constexpr double order_is_usual = 0.7;  // an estimate, no source
    std::map<int, double> weights;
    double sum = 0.0;
    for (const Json& item : candidates) {
      if (!item.is_object() || !item.contains("cylinder") || !item.contains("probability"))
        continue;
      if (!item["cylinder"].is_number_integer() || !item["probability"].is_number()) continue;
      const int cylinder = item["cylinder"].get<int>();
      const double p = item["probability"].get<double>();
      if (cylinder < 1 || cylinder > card_.bench.cylinders || !(p > 0.0 && p <= 1.0)) continue;
      weights[cylinder] += p;
      sum += p;
    }
    if (weights.empty()) return;
    const auto best =
        std::max_element(weights.begin(), weights.end(),
                         [](const auto& a, const auto& b) { return a.second < b.second; });
    // A drop test, which needs no order, that names the same cylinder proves the order right.
    assumed_order = assumed_order && !dropped_.contains(best->first);
    const double trust = assumed_order ? order_is_usual : 1.0;
    std::string words = fmt::format("cylinder {}: one unplugging points to it ({})", best->first,
                                    certainty(trust * best->second / std::max(sum, 1.0)));
    if (assumed_order) words += ", in a firing order that nobody has looked up";
    for (auto& [cylinder, weight] : weights) weight *= trust / std::max(sum, 1.0);
    // In another order it may be any.
    for (int c = 1; c <= card_.bench.cylinders; ++c)
      weights[c] += (1.0 - trust) / card_.bench.cylinders;
    names(weights, words);
  }

  void clicks(const Json& injectors) {
    if (!injectors.is_array()) return;
    for (const Json& item : injectors) {
      if (!item.is_object() || !item.contains("cylinder") || !item.contains("state")) continue;
      if (!item["cylinder"].is_number_integer() || !item["state"].is_string()) continue;
      const int cylinder = item["cylinder"].get<int>();
      if (cylinder < 1 || cylinder > card_.bench.cylinders) continue;
      const auto state = item["state"].get<std::string>();
      const std::string_view outcome = state == "clicking" ? "yes"
                                       : state == "weak"   ? "weak"
                                       : state == "silent" ? "no"
                                                           : "";
      if (!outcome.empty()) add("click", outcome, cylinder, "heard by clicks");
    }
  }

  /// Pieces of one group on one cylinder speak of the same thing: together they have one voice.
  void share_voices() {
    std::map<std::pair<std::string, int>, double> speakers;
    for (const Piece& p : out_.pieces)
      speakers[{table_.readings[p.reading].group, p.cylinder}] += 1.0;
    for (Piece& p : out_.pieces) {
      p.voice = 1.0 / speakers[{table_.readings[p.reading].group, p.cylinder}];
    }
  }

  const JobCard& card_;
  const Table& table_;
  Evidence out_;
  std::vector<const JobEntry*> now_;  ///< standing since the last work
  std::set<int> dropped_;             ///< cylinders that a drop test names
};

}  // namespace

Evidence gather_evidence(const JobCard& card, const Table& table) {
  return Gatherer{card, table}.take();
}

}  // namespace pipebeat::job
