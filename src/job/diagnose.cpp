#include "job/diagnose.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <set>

#include "job/json_text.hpp"

namespace pipebeat::job {

namespace {

/// Sure enough to repair. A workshop repairs on less, and proves it afterwards either way.
constexpr double settled_at = 0.9;
/// Bits below which a test isn't worth its minutes.
constexpr double least_bits = 0.02;
/// Evidence that moves the odds by less than this factor is left out of the account.
constexpr double telling_factor = 1.3;
/// A recording this much faster than the slowest one tells whether the miss clears with revs.
constexpr double raised_speed = 1.4;

struct Hypothesis {
  std::size_t cause;
  std::vector<int> cylinders;  ///< one, two, or none for the whole engine
};

/// Never rounded to certainty.
std::string certainty(double p) { return p >= 0.995 ? "over 99 %" : fmt::format("{:.0f} %", 100.0 * p); }

bool at(const Hypothesis& h, int cylinder) {
  return std::find(h.cylinders.begin(), h.cylinders.end(), cylinder) != h.cylinders.end();
}

/// One observation. Usually one alternative of weight 1; an unsure one has several, adding up to 1.
struct Piece {
  struct Alternative {
    int outcome;
    int cylinder;  ///< of a naming reading; 0: names none
    double weight;
  };
  std::size_t reading;
  int cylinder;  ///< 0: the engine
  std::vector<Alternative> alternatives;
  std::string words;
  double voice = 1.0;  ///< less than 1 when others of its group speak of the same thing
};

double share(const TableReading& r, int outcome, int cylinder, const Hypothesis& h, int cylinders) {
  const auto o = static_cast<std::size_t>(outcome);
  const std::vector<double>& p = r.by_cause[h.cause];
  if (r.where == TableReading::Where::engine) return p[o];
  if (r.where == TableReading::Where::cylinder) return at(h, cylinder) ? p[o] : r.otherwise[o];
  if (cylinder == 0) return p[o];
  const auto named = static_cast<double>(h.cylinders.size());
  if (named == 0.0) return (p[0] + p[1]) / cylinders;
  if (at(h, cylinder)) return p[0] / named;
  return p[1] / (cylinders - named);
}

double likelihood(const Piece& piece, const Table& table, const Hypothesis& h, int cylinders) {
  double sum = 0.0;
  for (const Piece::Alternative& a : piece.alternatives) {
    const TableReading& r = table.readings[piece.reading];
    sum += a.weight * share(r, a.outcome, a.cylinder == 0 ? piece.cylinder : a.cylinder, h, cylinders);
  }
  return sum;
}

std::vector<Hypothesis> hypotheses(const JobCard& card, const Table& table, bool after_work,
                                   std::vector<double>& prior) {
  const auto fuel = static_cast<std::size_t>(card.bench.fuel);
  std::vector<std::pair<int, int>> pairs;
  for (const auto& row : card.rows) {
    for (std::size_t i = 1; i < row.size(); ++i) pairs.emplace_back(row[i - 1], row[i]);
  }
  std::vector<Hypothesis> all;
  for (std::size_t c = 0; c < table.causes.size(); ++c) {
    const Cause& cause = table.causes[c];
    if (cause.prior[fuel] <= 0.0 || !cause.needs.met_by(card.bench)) continue;
    const std::size_t first = all.size();
    if (cause.where == Cause::Where::engine) all.push_back({c, {}});
    if (cause.where == Cause::Where::cylinder) {
      for (int n = 1; n <= card.bench.cylinders; ++n) all.push_back({c, {n}});
    }
    if (cause.where == Cause::Where::pair) {
      for (const auto& [a, b] : pairs) all.push_back({c, {a, b}});
    }
    const auto places = static_cast<double>(all.size() - first);
    prior.resize(all.size(), places > 0.0 ? cause.prior[fuel] / places : 0.0);
  }
  double sum = 0.0;
  for (double p : prior) sum += p;
  for (double& p : prior) p /= sum;
  const auto cured = std::find_if(all.begin(), all.end(), [&](const Hypothesis& h) {
    return h.cause == table.cured;
  });
  if (after_work && table.cured_prior > 0.0 && cured != all.end()) {
    double& p = prior[static_cast<std::size_t>(cured - all.begin())];
    const double others = (1.0 - table.cured_prior) / (1.0 - p);
    for (double& q : prior) q *= others;
    p = table.cured_prior;
  }
  return all;
}

// ---- what stands on the card, as pieces of evidence ---------------------------------------------

class Evidence {
 public:
  Evidence(const JobCard& card, const Table& table, Diagnosis& out)
      : card_{card}, table_{table}, out_{out} {
    for (const JobEntry* e : card.standing()) {
      if (e->kind == JobEntry::Kind::work) {
        worked_ = true;
        if (!now_.empty()) set_aside_ = e;
        now_.clear();
      } else {
        now_.push_back(e);
      }
    }
    if (set_aside_ != nullptr) {
      out_.remarks.push_back(fmt::format(
          "what was read and heard before the work of entry {} is set aside: it describes the "
          "engine as it was",
          set_aside_->id));
    }
    readings();
    findings();
    share_voices();
  }

  [[nodiscard]] const std::vector<Piece>& pieces() const { return pieces_; }
  /// True when work was done and everything counted came after it.
  [[nodiscard]] bool after_work() const { return worked_; }

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
    pieces_.push_back({static_cast<std::size_t>(r), naming ? 0 : cylinder,
                       {{o, naming ? cylinder : 0, 1.0}}, std::move(words), 1.0});
  }

  void readings() {
    // The latest of each kind and cylinder counts; every code counts.
    std::map<std::pair<std::string, int>, const JobEntry*> latest;
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
    const int misfire = table_.reading("misfire_code");
    const bool counted = std::any_of(pieces_.begin(), pieces_.end(), [misfire](const Piece& p) {
      return static_cast<int>(p.reading) == misfire;
    });
    if (any_code && !counted) add("misfire_code", "none", 0);
  }

  using Latest = std::map<std::pair<std::string, int>, const JobEntry*>;

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
    // Between the limit and the share of the highest: low. The table's last outcome is the good one.
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
      out_.remarks.push_back(
          fmt::format("cylinder {}: the wet compression says nothing without the dry one",
                      r.cylinder));
      return;
    }
    const double ratio = *r.value / std::max(*dry->second->reading.value, 1.0);
    add("compression_wet", ratio >= raised ? "raised" : ratio < lower ? "lower" : "same",
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
    const auto misses = [](const Heard& h) { return h.verdict.ends_with("_miss") && h.verdict != "rough_no_miss"; };
    const int clears = table_.reading("clears_with_revs");
    const bool said = std::any_of(pieces_.begin(), pieces_.end(), [clears](const Piece& p) {
      return static_cast<int>(p.reading) == clears;
    });
    if (raised != nullptr && misses(*idle) && !said) {
      add("clears_with_revs", misses(*raised) ? "no" : "yes", 0,
          fmt::format("recordings at {:.0f} and {:.0f} rpm", idle->rpm, raised->rpm));
    }
  }

  /// A verdict with confidence c: c for itself, the rest shared by the others.
  void verdict(const Heard& h) {
    const std::size_t before = pieces_.size();
    add("heard", h.verdict, 0, certainty(h.confidence) + " sure");
    if (pieces_.size() == before) return;
    Piece& piece = pieces_.back();
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
    pieces_.push_back(std::move(piece));
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
          fmt::format("the drop test finds that cylinders {} give no power, and the percentages hold for one fault: it is "
                      "something they share (coil pack, wiring, the gasket between neighbours), or each has its own",
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
      if (!item.is_object() || !item.contains("cylinder") || !item.contains("probability")) continue;
      if (!item["cylinder"].is_number_integer() || !item["probability"].is_number()) continue;
      const int cylinder = item["cylinder"].get<int>();
      const double p = item["probability"].get<double>();
      if (cylinder < 1 || cylinder > card_.bench.cylinders || !(p > 0.0 && p <= 1.0)) continue;
      weights[cylinder] += p;
      sum += p;
    }
    if (weights.empty()) return;
    const auto best = std::max_element(weights.begin(), weights.end(), [](const auto& a, const auto& b) {
      return a.second < b.second;
    });
    // A drop test, which needs no order, that names the same cylinder proves the order right.
    assumed_order = assumed_order && !dropped_.contains(best->first);
    const double trust = assumed_order ? order_is_usual : 1.0;
    std::string words = fmt::format("cylinder {}: one unplugging points to it ({})", best->first,
                                    certainty(trust * best->second / std::max(sum, 1.0)));
    if (assumed_order) words += ", in a firing order that nobody has looked up";
    for (auto& [cylinder, weight] : weights) weight *= trust / std::max(sum, 1.0);
    // In another order it may be any.
    for (int c = 1; c <= card_.bench.cylinders; ++c) weights[c] += (1.0 - trust) / card_.bench.cylinders;
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

  void share_voices() {
    std::map<std::pair<std::string, int>, double> speakers;
    for (const Piece& p : pieces_) speakers[{table_.readings[p.reading].group, p.cylinder}] += 1.0;
    for (Piece& p : pieces_) {
      p.voice = 1.0 / speakers[{table_.readings[p.reading].group, p.cylinder}];
    }
  }

  const JobCard& card_;
  const Table& table_;
  Diagnosis& out_;
  std::vector<const JobEntry*> now_;  ///< standing since the last work
  const JobEntry* set_aside_ = nullptr;
  std::set<int> dropped_;  ///< cylinders that a drop test names
  bool worked_ = false;
  std::vector<Piece> pieces_;
};

// ---- weighing ----------------------------------------------------------------------------------

std::string place_of(const Hypothesis& h) {
  if (h.cylinders.empty()) return {};
  if (h.cylinders.size() == 1) return fmt::format(", cylinder {}", h.cylinders[0]);
  return fmt::format(", cylinders {} and {}", h.cylinders[0], h.cylinders[1]);
}

class Weighing {
 public:
  Weighing(const JobCard& card, const Table& table, Diagnosis& out)
      : card_{card}, table_{table}, out_{out}, evidence_{card, table, out} {
    all_ = hypotheses(card, table, evidence_.after_work(), prior_);
    std::vector<double> weight(all_.size());
    for (std::size_t h = 0; h < all_.size(); ++h) {
      double sum = std::log(prior_[h]);
      for (const Piece& p : evidence_.pieces()) sum += p.voice * std::log(chance(p, h));
      weight[h] = sum;
    }
    const double top = weight.empty() ? 0.0 : *std::max_element(weight.begin(), weight.end());
    double total = 0.0;
    for (double w : weight) total += std::exp(w - top);
    for (double w : weight) posterior_.push_back(std::exp(w - top) / total);
  }

  [[nodiscard]] bool empty() const { return all_.empty(); }

  void causes() {
    out_.cylinder_probability.assign(static_cast<std::size_t>(card_.bench.cylinders), 0.0);
    for (std::size_t h = 0; h < all_.size(); ++h) {
      const Cause& cause = table_.causes[all_[h].cause];
      RankedCause ranked{cause.code, cause.words, all_[h].cylinders, posterior_[h], {}, {}};
      account(h, ranked);
      out_.causes.push_back(std::move(ranked));
      for (int c : all_[h].cylinders) {
        out_.cylinder_probability[static_cast<std::size_t>(c - 1)] += posterior_[h];
      }
    }
    std::stable_sort(out_.causes.begin(), out_.causes.end(),
                     [](const auto& a, const auto& b) { return a.probability > b.probability; });
    out_.settled = !out_.causes.empty() && out_.causes[0].probability >= settled_at;
  }

  void contradictions() {
    for (const Contradiction& c : table_.contradictions) {
      for (int n = 0; n <= card_.bench.cylinders; ++n) {
        const bool all = std::all_of(c.all.begin(), c.all.end(), [&](const auto& wanted) {
          return has(wanted.first, wanted.second, n);
        });
        // Readings of the whole engine fit any cylinder: say those only once.
        const bool of_cylinder = std::any_of(c.all.begin(), c.all.end(), [&](const auto& wanted) {
          return n != 0 && has(wanted.first, wanted.second, n) &&
                 !has(wanted.first, wanted.second, 0);
        });
        if (!all || (n != 0 && !of_cylinder)) continue;
        out_.contradictions.push_back((n != 0 ? fmt::format("cylinder {}: ", n) : "") + c.words);
        if (n == 0) break;
      }
    }
    two_faults();
  }

  void tests(const std::vector<std::string>& tools) {
    // Nobody unplugs anything on an engine that is well.
    if (out_.settled && cause_of(out_.causes.front()).sound) {
      out_.tests = {repair()};
      return;
    }
    std::set<std::string> missing;
    for (const TableTest& t : table_.tests) {
      if (!t.needs.met_by(card_.bench)) continue;
      bool owned = true;
      for (const std::string& tool : t.tools) {
        if (tools.empty() || std::find(tools.begin(), tools.end(), tool) != tools.end()) continue;
        missing.insert(tool);
        owned = false;
      }
      if (owned) best_place(t);
    }
    if (!missing.empty()) {
      out_.remarks.push_back(fmt::format("tests that need these tools are left out: {}", fmt::join(missing, ", ")));
    }
    std::stable_sort(out_.tests.begin(), out_.tests.end(), [](const auto& a, const auto& b) {
      return a.bits * b.minutes > b.bits * a.minutes;
    });
    if (out_.settled || out_.tests.empty()) out_.tests.insert(out_.tests.begin(), repair());
  }

 private:
  [[nodiscard]] double chance(const Piece& p, std::size_t h) const {
    return likelihood(p, table_, all_[h], card_.bench.cylinders);
  }

  /// Says so when two faults in different places, rare as that is, explain the readings better than
  /// any single one. A cylinder's readings then speak of the fault at that cylinder, the engine's of
  /// the fault that fits them better.
  void two_faults() {
    const auto& pieces = evidence_.pieces();
    double single = -std::numeric_limits<double>::infinity();
    double best = single;
    std::pair<std::size_t, std::size_t> pair;
    for (std::size_t a = 0; a < all_.size(); ++a) {
      double alone = std::log(prior_[a]);
      for (const Piece& p : pieces) alone += p.voice * std::log(chance(p, a));
      single = std::max(single, alone);
      for (std::size_t b = a + 1; b < all_.size(); ++b) {
        const bool apart = std::none_of(all_[a].cylinders.begin(), all_[a].cylinders.end(),
                                        [&](int n) { return at(all_[b], n); });
        const bool sound = table_.causes[all_[a].cause].sound || table_.causes[all_[b].cause].sound;
        if (!apart || sound) continue;
        double both = std::log(prior_[a]) + std::log(prior_[b]);
        for (const Piece& p : pieces) {
          const double fit_a = chance(p, a);
          const double fit_b = chance(p, b);
          const bool of_a = p.cylinder != 0 && at(all_[a], p.cylinder);
          const bool of_b = p.cylinder != 0 && at(all_[b], p.cylinder);
          both += p.voice * std::log(of_a ? fit_a : of_b ? fit_b : std::max(fit_a, fit_b));
        }
        if (both > best) {
          best = both;
          pair = {a, b};
        }
      }
    }
    if (!(best > single)) return;
    const auto words = [&](std::size_t h) {
      return table_.causes[all_[h].cause].words + place_of(all_[h]);
    };
    out_.contradictions.push_back(
        fmt::format("two faults fit these readings better than any one: {}; and {}; or one of the "
                    "readings is wrong",
                    words(pair.first), words(pair.second)));
  }

  /// True when that was read on that cylinder, or on the engine.
  [[nodiscard]] bool has(std::size_t reading, int outcome, int cylinder) const {
    return std::any_of(evidence_.pieces().begin(), evidence_.pieces().end(), [&](const Piece& p) {
      if (p.reading != reading) return false;
      const auto& best = *std::max_element(
          p.alternatives.begin(), p.alternatives.end(),
          [](const auto& a, const auto& b) { return a.weight < b.weight; });
      const int where = best.cylinder != 0 ? best.cylinder : p.cylinder;
      return best.outcome == outcome && (where == 0 || where == cylinder);
    });
  }

  [[nodiscard]] bool was_read(std::size_t reading, int cylinder) const {
    return std::any_of(evidence_.pieces().begin(), evidence_.pieces().end(), [&](const Piece& p) {
      const TableReading& r = table_.readings[p.reading];
      return r.group == table_.readings[reading].group && p.cylinder == cylinder;
    });
  }

  /// Evidence for and against one hypothesis: the factor by which it moves its odds.
  void account(std::size_t h, RankedCause& ranked) const {
    std::vector<std::pair<double, std::string>> moves;
    for (const Piece& p : evidence_.pieces()) {
      double others = 0.0;
      double weight = 0.0;
      for (std::size_t i = 0; i < all_.size(); ++i) {
        if (i == h) continue;
        others += prior_[i] * chance(p, i);
        weight += prior_[i];
      }
      if (weight <= 0.0) continue;
      moves.emplace_back(p.voice * std::log(chance(p, h) / (others / weight)), p.words);
    }
    std::stable_sort(moves.begin(), moves.end(), [](const auto& a, const auto& b) {
      return std::abs(a.first) > std::abs(b.first);
    });
    for (const auto& [move, words] : moves) {
      if (move > std::log(telling_factor)) ranked.evidence_for.push_back(words);
      if (move < -std::log(telling_factor)) ranked.evidence_against.push_back(words);
    }
  }

  /// The cylinder where this test tells most, if it tells anything anywhere.
  void best_place(const TableTest& t) {
    const TableReading& r = table_.readings[t.gives];
    const bool per_cylinder = r.where == TableReading::Where::cylinder;
    TestAdvice best;
    for (int n = per_cylinder ? 1 : 0; n <= (per_cylinder ? card_.bench.cylinders : 0); ++n) {
      if (was_read(t.gives, n)) continue;
      const bool ready = std::all_of(t.after.begin(), t.after.end(), [&](const auto& after) {
        return std::any_of(after.second.begin(), after.second.end(),
                           [&](int outcome) { return has(after.first, outcome, n); });
      });
      if (!ready) continue;
      TestAdvice advice = weigh(t, n);
      if (advice.bits > best.bits) best = std::move(advice);
    }
    if (best.bits >= least_bits) out_.tests.push_back(std::move(best));
  }

  TestAdvice weigh(const TableTest& t, int cylinder) const {
    const TableReading& r = table_.readings[t.gives];
    struct Possible {
      int outcome;
      int cylinder;
      std::string words;
    };
    std::vector<Possible> possible;
    const auto outcomes = static_cast<int>(r.outcomes.size());
    if (r.where == TableReading::Where::naming) {
      for (int n = 1; n <= card_.bench.cylinders; ++n) {
        possible.push_back({0, n, fmt::format("cylinder {}: {}", n, r.outcomes[0].second)});
      }
      for (int o = 2; o < outcomes; ++o) {
        possible.push_back({o, 0, r.outcomes[static_cast<std::size_t>(o)].second});
      }
    } else {
      for (int o = 0; o < outcomes; ++o) {
        possible.push_back({o, cylinder, r.outcomes[static_cast<std::size_t>(o)].second});
      }
    }
    TestAdvice advice{t.code, t.words, cylinder, t.minutes, 0.0, t.how, t.cautions, {}, {}};
    for (const Possible& p : possible) {
      double sum = 0.0;
      std::size_t top = 0;
      double most = -1.0;
      for (std::size_t h = 0; h < all_.size(); ++h) {
        const double joint =
            posterior_[h] * share(r, p.outcome, p.cylinder, all_[h], card_.bench.cylinders);
        sum += joint;
        if (joint > most) {
          most = joint;
          top = h;
        }
      }
      for (std::size_t h = 0; h < all_.size(); ++h) {
        const double s = share(r, p.outcome, p.cylinder, all_[h], card_.bench.cylinders);
        if (s > 0.0 && sum > 0.0) advice.bits += posterior_[h] * s * std::log2(s / sum);
      }
      advice.outcomes.push_back({p.words, sum,
                                 table_.causes[all_[top].cause].words + place_of(all_[top]),
                                 sum > 0.0 ? most / sum : 0.0});
    }
    for (std::string option : t.record) {
      name_cylinders(option, cylinder);
      advice.record.push_back(std::move(option));
    }
    return advice;
  }

  /// Fills in the cylinder where a recipe says N, and any other one where it says M.
  static void name_cylinders(std::string& text, int cylinder) {
    if (cylinder == 0) return;
    const auto fill = [&](std::string_view before, char letter, std::string_view after, int number) {
      const std::string from = std::string{before} + letter + std::string{after};
      const std::size_t found = text.find(from);
      if (found != std::string::npos) {
        text.replace(found + before.size(), 1, std::to_string(number));
      }
    };
    fill("--cylinder ", 'N', "", cylinder);
    fill(":", 'N', ">", cylinder);
    fill(">", 'M', "", cylinder == 1 ? 2 : cylinder - 1);
  }

  [[nodiscard]] const Cause& cause_of(const RankedCause& ranked) const {
    return *std::find_if(table_.causes.begin(), table_.causes.end(),
                         [&](const Cause& c) { return c.code == ranked.cause; });
  }

  [[nodiscard]] TestAdvice repair() const {
    const RankedCause& top = out_.causes.front();
    const Cause& cause = cause_of(top);
    TestAdvice advice;
    if (top.cylinders.size() == 1) advice.cylinder = top.cylinders[0];
    advice.how = cause.repair;
    if (cause.sound) {
      advice.test = "nothing_to_repair";
      advice.words = "nothing to repair";
      advice.cautions = {std::string{no_caution}};
      return advice;
    }
    advice.test = "repair_and_prove";
    advice.words = "repair, then prove it";
    advice.minutes = 30.0;
    advice.how.emplace_back(
        "Write it down: pipebeat job read DIR --done \"what was done\"; from then on only what is "
        "heard and read afterwards counts.");
    advice.how.emplace_back(
        "Record at the same place and speed as before: pipebeat check --job DIR AFTER.");
    advice.cautions = {
        "Ignition voltage, fuel under pressure, hot parts, belts and fan can injure: the vehicle "
        "maker's procedure and local codes come first; leave what you are not sure of to a "
        "licensed workshop.",
        "Recording: outdoors, parking brake on, wheels chocked, clear of exhaust gas, hot pipe, "
        "belts and fan."};
    return advice;
  }

  const JobCard& card_;
  const Table& table_;
  Diagnosis& out_;
  Evidence evidence_;
  std::vector<Hypothesis> all_;
  std::vector<double> prior_;
  std::vector<double> posterior_;
};

}  // namespace

Diagnosis diagnose(const JobCard& card, const Table& table, const std::vector<std::string>& tools) {
  Diagnosis out;
  Weighing weighing{card, table, out};
  if (weighing.empty()) {
    out.remarks.emplace_back("the table of likelihoods holds no cause that fits this engine");
    return out;
  }
  weighing.causes();
  weighing.contradictions();
  weighing.tests(tools);
  return out;
}

JobCard before(const JobCard& card, int id) {
  JobCard earlier = card;
  std::erase_if(earlier.entries, [id](const JobEntry& e) { return e.id >= id; });
  return earlier;
}

}  // namespace pipebeat::job
