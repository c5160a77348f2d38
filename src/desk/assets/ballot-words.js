// The ballot's words, and small helpers that make its pages. Plain text only: nothing is ever set as HTML.
'use strict';

const WORDS = {
  en: {
    ballot: 'Ballot', colon: ': ', comma: ', ', stop_sign: '. ', other: '中文', help: 'Help', close_help: 'Back to the ballot',
    flight_n: 'Flight {0}', cup_of: 'cup {0} of {1}', steep_of: 'steep {0} of {1}', cup: 'Cup', steep_n: 'Steep {0}',
    begin_flight: 'Begin flight {0}', order: 'Taste in this order', warm_up: 'Warm-up cup',
    warm_up_why: 'Taste this one first. It is not scored.', mind: 'Please mind', recipe: 'Recipe',
    back: 'Back', next: 'Next', next_cup: 'Next cup', next_set: 'Next set', to_end: 'To the end of the flight',
    hand_in_cup: 'Hand in this cup', hand_in_flight: 'Hand in flight {0}', end_of: 'End of flight {0}',
    answered: '{0} of {1} answered', nothing_missing: 'Nothing is missing.',
    missing: 'Not answered yet', missing_why: 'You may hand in all the same: what is not answered stays missing. It does not count as the middle.',
    missing_set: 'This has no answer yet. Choose, guess or decline before handing it in.',
    nothing_yet: 'Nothing is answered here yet. Answer something, decline the cup or mark it as lost before handing it in.',
    zeros: 'Of cups that you answered anything of, ticks and faults that you leave alone count as absent once you hand in.',
    zeros_all: 'Ticks and faults that you leave alone count as absent once you hand in.',
    no_way_back_cup: 'A cup that is handed in cannot be changed.', no_way_back: 'A flight that is handed in cannot be changed.',
    handed_in: 'Handed in', handing_in: 'Handing in as soon as there is a connection.', go_to: 'Go to {0}',
    done: 'You are done', done_why: 'All flights are handed in. Do not talk about the cups until all ballots are in.',
    done_waiting: 'Keep this page open until all of it is saved.',
    not_scored: 'not scored yet', set_by: 'Tap or slide on the line', touch_first: 'tap the line', signs_left: 'Characters left: {0}', too_long: 'Characters too many: {0}', more: 'More', more_on: 'More on {0}',
    meaning: 'Meaning', reference: 'To know it by', no_meaning: 'The panel has written no definition for it.',
    decline: 'I decline this', declined: 'Declined', lost: 'Lost', mark_lost: 'It was lost', clear: 'Clear', take_back: 'Take back',
    taken_back: 'What was saved stays in the record; the answer now counts as declined.', lower: 'Lower: {0}', higher: 'Higher: {0}',
    decline_cup: 'I decline this cup', lose_cup: 'Cup lost', whole_cup: 'The whole cup',
    cup_only: 'for all that is not answered', there: 'found', note: 'Notes',
    fault_0: 'absent', fault_1: 'trace', fault_2: 'clear', fault_3: 'rejects',
    guess: 'Which lot do you think this is?', guess_hint: 'Only if you like. The name of a lot.', sure_q: 'How sure are you?', sure: 'sure', unsure: 'unsure',
    ask_rank: 'Put the cups in order by: {0}. Tap the one with most first.',
    ask_rank_ties: 'Put the cups in order by: {0}. 1 = most; cups that are alike may share a number.',
    rank: 'rank', rank_n: 'rank {0}', no_rank: 'no rank yet', start_over: 'Start over', rank_open: 'The order is kept on this phone until every cup has a place.',
    ask_triangle: 'Two of these cups are the same tea. Taste from left to right and choose the one that differs.',
    ask_match: 'The first cup is the reference. Choose the one of the other two that is the same tea.',
    ask_paired: 'Which cup has more of this: {0}? Taste from left to right and choose it.',
    cannot_tell: 'If you cannot tell, guess and mark unsure.', reference_cup: 'Reference', decline_set: 'I decline this set', lose_set: 'Set lost',
    timer_start: 'Start the timer, {0}', timer_stop: 'Stop', timer_left: 'left', timer_up: 'Time is up', timer_host: 'started by the host', timer_own: 'your timer',
    sound: 'Tap for sound', rest: 'Rest', rest_why: 'Rinse with water and wait before the next cup.', rest_over: 'You can go on.', go_on: 'Go on now',
    saved_all: 'Saved on disk: {0} of {1}', saved_some: 'Saved on disk: {0} of {1} · waiting here: {2}', saved_none: 'Nothing to save yet',
    refused_n: '{0} not taken', disk_full: 'Not saved: the disk of the desk takes nothing more', disk_full_why: 'Your answers are kept on this phone and sent again. Tell the host.',
    offline: 'No connection', offline_why: 'Go on tasting. Answers are kept on this phone and sent when the connection is back. Do not reload this page without Wi-Fi: it might not come back.',
    memory_only: 'This browser keeps nothing for us (a private window?). Answers that wait are lost if the page is closed.',
    taken_over: 'This ballot goes on on another phone', taken_over_why: 'Only one phone at a time. To go on here, follow your link again: scan your code at the desk, or type its letters.',
    taken_over_kept: 'Answers that wait on this phone: {0}. They are sent when you are back by your link.', take_again: 'Type the letters of my link',
    ended: 'This link is no longer good', ended_why: 'The session is over, or the host has made new links. Ask at the desk.',
    ended_kept: 'Answers that were not sent from this phone: {0}. Tell the host.',
    closed: 'The session is closed', closed_why: 'What you answer now is kept apart as late. It counts only if the host admits it, with a reason.',
    revealed: 'The cups are revealed; thank you.', revealed_why: 'Nothing can be added any more. The host shows what came out.',
    void: 'The session was called off', void_why: 'Nothing can be added any more.',
    late_n: 'Late, kept apart: {0}', refused_title: 'Not taken', refused_found: 'Found', refused_expected: 'Expected', refused_mend: 'To mend',
    unreadable: 'The desk could not read what this phone sent', discard: 'Leave it out', answer_of: '{0}, cup {1}',
    stop: 'Stop', stop_text: 'A cup that smells musty or mouldy stops the tasting: do not taste it, tell the person who pours.', understood: 'I have told them',
    how: 'How it works', how_line: 'Line: tap or slide where it belongs. A line that you leave alone is missing; it does not count as the middle.',
    how_keys: 'With keys: arrows step, digits set, Delete clears.', how_more: '“More” beside a term: its meaning, what to know it by, and declining.',
    how_saved: 'The strip on top says what is saved on the disk of the desk.', how_talk: 'Do not talk about the cups until all ballots are in.',
    how_link: 'Your link is yours alone: whoever follows it goes on with your ballot.',
    sealed: 'Key sealed, SHA-256', loading: 'Fetching the ballot …', wait: 'Waiting for the desk …',
    no_ballot: 'There is nothing for you to taste in this session. Ask at the desk.', min: 'min', s: 's', leaf: 'leaf', water: 'water', rinse: 'rinse', steep: 'steep', other_queue: 'Answers of another ballot wait on this phone: {0}. They are sent when that taster is back by their link.',
  },
  zh: {
    ballot: '评茶单', colon: '：', comma: '，', stop_sign: '。', other: 'English', help: '说明', close_help: '返回评茶单',
    flight_n: '第 {0} 轮', cup_of: '第 {0} 杯，共 {1} 杯', steep_of: '第 {0} 泡，共 {1} 泡', cup: '杯', steep_n: '第 {0} 泡',
    begin_flight: '开始第 {0} 轮', order: '请按此顺序品尝', warm_up: '热身杯',
    warm_up_why: '先品尝这一杯，不打分。', mind: '注意事项', recipe: '冲泡方法',
    back: '返回', next: '下一步', next_cup: '下一杯', next_set: '下一组', to_end: '到本轮末',
    hand_in_cup: '提交这一杯', hand_in_flight: '提交第 {0} 轮', end_of: '第 {0} 轮结束',
    answered: '已答 {0} / {1}', nothing_missing: '没有缺项。',
    missing: '尚未作答', missing_why: '仍可提交：未答即为缺失，不会按中间值计。',
    missing_set: '尚无答案。请选择、猜测或选“不评”后再提交。',
    nothing_yet: '这里尚无任何答案。请先作答，或选“此杯不评”“此杯作废”，再提交。',
    zeros: '已有任何答案的杯，其未动的方框和缺陷在提交后视为没有。',
    zeros_all: '未动的方框和缺陷，提交后视为没有。',
    no_way_back_cup: '提交的杯不能再改。', no_way_back: '提交的轮次不能再改。',
    handed_in: '已提交', handing_in: '连上后即提交。', go_to: '转到{0}',
    done: '已全部完成', done_why: '各轮均已提交。全部评茶单交齐前请勿交谈茶样。',
    done_waiting: '全部保存之前请不要关闭本页。',
    not_scored: '尚未打分', set_by: '在线段上点按或滑动', touch_first: '请先点线', signs_left: '还可输入 {0} 字', too_long: '超出 {0} 字', more: '更多', more_on: '{0}：更多',
    meaning: '释义', reference: '参照物', no_meaning: '本评语尚无释义。',
    decline: '此项不评', declined: '不评', lost: '作废', mark_lost: '此项作废', clear: '清除', take_back: '收回',
    taken_back: '已保存的仍留在记录中；此答案现按不评计。', lower: '减小：{0}', higher: '增大：{0}',
    decline_cup: '此杯不评', lose_cup: '此杯作废', whole_cup: '整杯',
    cup_only: '适用于所有未答项', there: '有', note: '备注',
    fault_0: '无', fault_1: '微', fault_2: '明显', fault_3: '拒收',
    guess: '猜是哪个批次？', guess_hint: '可不填。写批次名。', sure_q: '把握如何？', sure: '有把握', unsure: '没把握',
    ask_rank: '请按“{0}”由强到弱排序：先点最强的一杯。',
    ask_rank_ties: '请按“{0}”由强到弱排序：1 为最强，相同者可并列。',
    rank: '名次', rank_n: '第 {0} 名', no_rank: '尚无名次', start_over: '重新排序', rank_open: '每杯都有名次之前，顺序只保存在本手机上。',
    ask_triangle: '三杯中有两杯为同一茶样。请从左到右品尝，选出不同的一杯。',
    ask_match: '第一杯为对照样。请在其余两杯中选出与对照样相同的一杯。',
    ask_paired: '哪一杯的“{0}”更强？请从左到右品尝并选出。',
    cannot_tell: '若分辨不出，请猜一个并选“没把握”。', reference_cup: '对照', decline_set: '本组不评', lose_set: '本组作废',
    timer_start: '开始计时 {0}', timer_stop: '停止', timer_left: '剩余', timer_up: '时间到', timer_host: '主持人启动', timer_own: '自己的计时',
    sound: '点按以开启声音', rest: '休息', rest_why: '请用清水漱口，稍候再品尝下一杯。', rest_over: '可以继续了。', go_on: '现在继续',
    saved_all: '已保存：{0} / {1}', saved_some: '已保存：{0} / {1} · 待发：{2}', saved_none: '尚无需保存',
    refused_n: '{0} 项未被接受', disk_full: '未保存：工作台磁盘已满', disk_full_why: '答案保存在本手机上，会再次发送。请告知主持人。',
    offline: '没有连接', offline_why: '请继续品尝。答案保存在本手机上，连上后自动发送。没有 Wi-Fi 时请勿刷新本页：可能打不开。',
    memory_only: '此浏览器不为本页保存数据（无痕窗口？）。关闭本页会丢失待发的答案。',
    taken_over: '此评茶单已转到另一部手机', taken_over_why: '同一时间只能用一部手机。要在此继续，请再次使用您的链接：在工作台扫码，或输入字符。',
    taken_over_kept: '本手机待发的答案：{0}。用链接返回后即发送。', take_again: '输入我的链接字符',
    ended: '此链接已失效', ended_why: '场次已结束，或主持人已更换链接。请到工作台询问。',
    ended_kept: '本手机未发出的答案：{0}。请告知主持人。',
    closed: '场次已截止', closed_why: '现在的答案作为迟交另存。只有主持人说明理由并接受后才计入。',
    revealed: '已揭盲，谢谢。', revealed_why: '不能再添加。结果由主持人公布。',
    void: '场次已作废', void_why: '不能再添加。',
    late_n: '迟交另存：{0}', refused_title: '未被接受', refused_found: '现有', refused_expected: '应为', refused_mend: '如何改正',
    unreadable: '工作台无法读取本手机所发内容', discard: '不再发送', answer_of: '{0}，{1} 号杯',
    stop: '停止', stop_text: '闻到霉味即停止审评：不要入口，并告知冲泡人。', understood: '已告知',
    how: '使用方法', how_line: '线段：在相应位置点按或滑动。未动即为缺失，不会按中间值计。',
    how_keys: '用键盘：方向键微调，数字键设定，Delete 清除。', how_more: '评语旁的“更多”：释义、参照物、不评。',
    how_saved: '顶部一栏显示哪些已存到工作台磁盘。', how_talk: '全部评茶单交齐前请勿交谈茶样。',
    how_link: '链接只属于您：谁打开它，谁就接着填您的评茶单。',
    sealed: '密钥封存 SHA-256', loading: '正在取评茶单……', wait: '正在等待工作台……',
    no_ballot: '本场没有您要品尝的茶样。请到工作台询问。', min: '分', s: '秒', leaf: '茶', water: '水', rinse: '洗茶', steep: '泡', other_queue: '本手机另有一份评茶单的答案待发：{0}。该评茶员用链接返回后即发送。',
  },
};

let lang = document.documentElement.lang.startsWith('zh') ? 'zh' : 'en';

/** A word in the taster's language; {0}, {1} … are filled in. */
function word(key, ...parts) {
  return WORDS[lang][key].replace(/\{(\d)\}/g, (_, i) => String(parts[i]));
}

/** A text of the book in the taster's language, or in whichever it has. */
function said(texts) {
  if (texts === null || texts === undefined) return '';
  if (typeof texts === 'string') return texts;
  const of = texts[lang] ?? texts.en ?? Object.values(texts)[0] ?? '';
  return Array.isArray(of) ? of : String(of);
}

/** Makes an element: el('p', {class: 'x', onclick: f}, 'text', other). What is false or null is left out. */
function el(tag, with_, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(with_ ?? {})) {
    if (value === false || value === null || value === undefined) continue;
    if (name.startsWith('on')) made.addEventListener(name.slice(2), value);
    else if (name in made && typeof value !== 'string') made[name] = value;
    else made.setAttribute(name, value === true ? '' : value);
  }
  made.append(...inside.flat().filter((x) => x !== null && x !== undefined && x !== false));
  return made;
}

/** Minutes and seconds, as 6:00. */
function clock(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, '0')}`;
}

/** A length of time in words. */
function lasting(seconds) {
  const m = Math.floor(seconds / 60), s = seconds % 60;
  const parts = [];
  if (m) parts.push(`${m} ${word('min')}`);
  if (s || !m) parts.push(`${s} ${word('s')}`);
  return parts.join(' ');
}
